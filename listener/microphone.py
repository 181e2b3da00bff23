"""Sound from a microphone, through PortAudio."""

from __future__ import annotations

import queue
from collections.abc import Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final

import numpy as np
import soxr

from grammar.errors import UserError
from listener.blocks import BLOCK, Block
from listener.recogniser import SAMPLE_RATE, Samples

_PATIENCE_S: Final = 5.0
"""A running microphone brings a block every 100 ms; after so long without one it is gone."""


@dataclass(frozen=True, slots=True, eq=False)
class Captured:
    """What PortAudio delivered: `adc_s` its clock at the first sample, `lost` whether it says that
    sound before was lost."""

    samples: Samples
    adc_s: float
    lost: bool


class Microphone:
    """An input device, one or several channels, at 16 kHz or resampled from the device's own rate.

    Blocks wait in a queue without limit, so a busy moment delays hearing but loses nothing.
    """

    rate = SAMPLE_RATE
    live = True

    def __init__(self, channels: int = 1, device: int | str | None = None) -> None:
        """`device` is PortAudio's number or (part of) a name; None for the system's choice.

        Raises UserError where PortAudio, the device or so many channels of it are missing.
        """
        self._portaudio = _portaudio()
        self.channels = channels
        self._device = device
        try:
            found: dict[str, Any] = self._portaudio.query_devices(device, "input")
            self._device_rate = self._working_rate(round(float(found["default_samplerate"])))
        except (self._portaudio.PortAudioError, ValueError) as error:
            raise UserError(f"The microphone cannot be used: {_one_line(error)}.") from None
        self.name = f"microphone {found['name']}"

    def _working_rate(self, own: int) -> int:
        """16 kHz where the device can, else its own rate. Raises PortAudioError where neither."""
        for rate in (SAMPLE_RATE, own):
            try:
                self._portaudio.check_input_settings(
                    device=self._device, channels=self.channels, dtype="int16", samplerate=rate
                )
            except self._portaudio.PortAudioError:
                if rate == own:
                    raise
            else:
                return rate
        return own

    def blocks(self) -> Iterator[Block]:
        """What is heard from now on. Raises UserError where the microphone stops."""
        captured: queue.SimpleQueue[Captured] = queue.SimpleQueue()

        def take(samples: Samples, _count: int, time: Any, status: Any) -> None:
            captured.put(Captured(samples.copy(), time.inputBufferAdcTime, status.input_overflow))

        try:
            with self._portaudio.InputStream(
                device=self._device,
                channels=self.channels,
                dtype="int16",
                samplerate=self._device_rate,
                blocksize=self._device_rate // 10,
                callback=take,
            ):
                yield from timed(self._received(captured), self._device_rate, self.channels)
        except self._portaudio.PortAudioError as error:
            raise UserError(f"The microphone cannot be used: {_one_line(error)}.") from None

    def _received(self, captured: queue.SimpleQueue[Captured]) -> Iterator[Captured]:
        while True:
            try:
                yield captured.get(timeout=_PATIENCE_S)
            except queue.Empty:
                raise UserError(
                    f"No sound has come from {self.name} for {_PATIENCE_S:.0f} s: is it unplugged?"
                ) from None


def timed(pieces: Iterator[Captured], device_rate: int, channels: int) -> Iterator[Block]:
    """Captured pieces, at `device_rate`, as blocks at 16 kHz on one clock of samples.

    Where sound was lost, as many zeros take its place as PortAudio's clock went on without sound.
    """
    resampler = (
        None
        if device_rate == SAMPLE_RATE
        else soxr.ResampleStream(device_rate, SAMPLE_RATE, channels, dtype="int16")
    )
    at = 0
    due: float | None = None
    """PortAudio's clock at which the next piece would begin had nothing been lost."""
    for piece in pieces:
        lost = round((piece.adc_s - due) * SAMPLE_RATE) if piece.lost and due is not None else 0
        due = piece.adc_s + len(piece.samples) / device_rate
        for start in range(0, lost, BLOCK):
            silent = np.zeros((min(BLOCK, lost - start), channels), dtype=np.int16)
            yield Block(at / SAMPLE_RATE, silent)
            at += len(silent)
        samples = piece.samples
        if resampler is not None:
            samples = resampler.resample_chunk(samples).reshape(-1, channels)
        gap = max(lost, 0) / SAMPLE_RATE
        for start in range(0, len(samples), BLOCK):
            part = samples[start : start + BLOCK]
            yield Block(at / SAMPLE_RATE, part, gap)
            at, gap = at + len(part), 0.0


def _portaudio() -> ModuleType:
    """The package sounddevice, which loads PortAudio. Imported only when a microphone is wanted."""
    try:
        import sounddevice  # noqa: PLC0415
    except (ImportError, OSError):
        raise UserError(
            "A microphone needs the library PortAudio, which is not installed: on Debian and "
            "Ubuntu install the package libportaudio2."
        ) from None
    module: ModuleType = sounddevice
    return module


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split()).rstrip(".")
