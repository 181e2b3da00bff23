"""Sound from a microphone, through PortAudio."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final

import numpy as np
import soxr

from grammar.errors import UserError
from listener.audio.blocks import BLOCK, Block
from listener.audio.clock_drift import SteadyClock, steady_s
from listener.audio.samples import SAMPLE_RATE, Samples

_PATIENCE_S: Final = 2.0
"""A running microphone brings a block every 50 ms; after this long without one it is gone."""

_FIRST_PATIENCE_S: Final = 8.0
"""Patience for the first block: a sound server fills its buffers first, for 2 s if busy."""

_RETRY_S: Final = 1.0
"""Seconds between two tries to open a device that went away."""


@dataclass(frozen=True, slots=True, eq=False)
class CapturedSound:
    """Sound that PortAudio delivered: `adc_s` is its clock at the first sample, `lost` says whether
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

    def __init__(
        self,
        channels: int = 1,
        device: int | str | None = None,
        clock: Callable[[], float] = steady_s,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """`device` is PortAudio's number or (part of) a name; None for the system's choice.

        `clock` counts seconds steadily and `sleep` waits on it; they measure how long a device was
        away. Raises UserError where PortAudio, the device or so many channels of it are missing.
        """
        self.away = False
        """Whether the device is gone at the moment."""
        self._rate_off = 0.0
        self._anew = False
        """Whether it is away because we open it anew."""
        self._steady = SteadyClock(clock)
        self._clock = clock
        self._sleep = sleep
        self._portaudio = portaudio()
        self.channels = channels
        self._device = device
        try:
            found: dict[str, Any] = self._portaudio.query_devices(device, "input")
            self._device_rate = self._working_rate(round(float(found["default_samplerate"])))
        except (self._portaudio.PortAudioError, ValueError) as error:
            raise UserError(
                f"The microphone cannot be used: {in_one_line(error, 'microphone')}."
            ) from None
        self.name = f"microphone {found['name']}"

    @property
    def trouble(self) -> str:
        """A sentence on the trouble with the device at the moment; "" while all is well."""
        if self.away and not self._anew:
            return "the microphone is gone: nothing is heard until it is back"
        if self._rate_off:
            return (
                f"the microphone's sample rate is {100 * self._rate_off:+.0f} % off: choose it anew"
            )
        return ""

    def _working_rate(self, own: int) -> int:
        """Return 16 kHz where the device can, else its own rate. Raises PortAudioError where
        neither works."""
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
        """Yield the sound from now on, without end, in step with the clock; see `_blocks`."""
        return self._steady.blocks(self._blocks())

    def _blocks(self) -> Iterator[Block]:
        """Yield the sound from now on, without end.

        A device that goes away (unplugged, its sound server gone) is waited for: zeros come at real
        speed in the meantime, `away` is true, and the first block after it carries the length of
        the loss. Raises UserError where the device cannot be opened to begin with.
        """
        at, absent, last_s = 0, 0, self._clock()
        while True:
            try:
                for block in self._device_blocks():
                    if self.away:
                        wanted = self._samples_since(last_s) - len(block.samples) - absent
                        for silent in self._silence(wanted):
                            yield Block(at / SAMPLE_RATE, silent)
                            at, absent = at + len(silent), absent + len(silent)
                    lost_s = block.lost_s + absent / SAMPLE_RATE
                    self.away, absent, last_s = False, 0, self._clock()
                    self._anew = False
                    yield Block(at / SAMPLE_RATE, block.samples, lost_s)
                    at += len(block.samples)
                    if self._other_rate():
                        self._anew = True
                        break
            except (self._portaudio.PortAudioError, ValueError) as error:
                self._anew = False
                if not at:
                    message = f"The microphone cannot be used: {in_one_line(error, 'microphone')}."
                    raise UserError(message) from None
            self.away = True
            again_s = self._clock() + _RETRY_S
            while self._clock() < again_s:
                for silent in self._silence(self._samples_since(last_s) - absent):
                    yield Block(at / SAMPLE_RATE, silent)
                    at, absent = at + len(silent), absent + len(silent)
                self._sleep(BLOCK / SAMPLE_RATE)
            # PortAudio lists devices only when it starts.
            self._portaudio._terminate()
            self._portaudio._initialize()

    def _other_rate(self) -> bool:
        """Return whether the device now runs at another rate, so that it must be opened anew."""
        off = self._steady.rate_off
        if off is None:
            return False
        before, self._rate_off = self._rate_off, off
        if not off or before:
            return False  # opening it anew once is enough: the trouble stays on the screen
        self._steady.restart_rate()
        return True

    def _device_blocks(self) -> Iterator[Block]:
        """Yield the blocks of one opening of the device, until it brings no more. Raises
        PortAudioError."""
        found: dict[str, Any] = self._portaudio.query_devices(self._device, "input")
        self._device_rate = self._working_rate(round(float(found["default_samplerate"])))
        captured: queue.SimpleQueue[CapturedSound] = queue.SimpleQueue()

        def take(samples: Samples, _count: int, times: Any, status: Any) -> None:
            captured.put(
                CapturedSound(samples.copy(), times.inputBufferAdcTime, status.input_overflow)
            )

        with self._portaudio.InputStream(
            device=self._device,
            channels=self.channels,
            dtype="int16",
            samplerate=self._device_rate,
            blocksize=self._device_rate // 10,
            callback=take,
        ):
            yield from timed(_until_silent(captured), self._device_rate, self.channels)

    def _samples_since(self, moment_s: float) -> int:
        return round((self._clock() - moment_s) * SAMPLE_RATE)

    def _silence(self, length: int) -> Iterator[Samples]:
        """Yield `length` zeros, a block at a time."""
        for start in range(0, length, BLOCK):
            yield np.zeros((min(BLOCK, length - start), self.channels), dtype=np.int16)


def _until_silent(captured: queue.SimpleQueue[CapturedSound]) -> Iterator[CapturedSound]:
    """Yield captured sound until none has come for too long."""
    patience = _FIRST_PATIENCE_S
    while True:
        try:
            yield captured.get(timeout=patience)
        except queue.Empty:
            return
        patience = _PATIENCE_S


def timed(pieces: Iterator[CapturedSound], device_rate: int, channels: int) -> Iterator[Block]:
    """Yield captured pieces, at `device_rate`, as blocks at 16 kHz on one clock of samples.

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


def inputs() -> list[str]:
    """Return the microphones of this computer: number, name and channels. Raises UserError without
    PortAudio."""
    sound = portaudio()
    chosen = sound.default.device[0]
    return [
        f"{number}: {found['name']}, {found['max_input_channels']} channels"
        + (" (used unless you say otherwise)" if number == chosen else "")
        for number, found in enumerate(sound.query_devices())
        if found["max_input_channels"] > 0
    ]


def portaudio(what: str = "A microphone") -> ModuleType:
    """Return the package sounddevice, which loads PortAudio. It is imported only when sound is
    wanted. Raises UserError where it is missing, which says that `what` needs it."""
    try:
        import sounddevice  # noqa: PLC0415
    except (ImportError, OSError):
        raise UserError(
            f"{what} needs the library PortAudio, which is not installed: on Debian and "
            "Ubuntu install the package libportaudio2."
        ) from None
    module: ModuleType = sounddevice
    return module


NO_DEVICE = "device -1"
"""In what PortAudio says where a machine has no device of the kind that was asked for."""


def in_one_line(error: Exception, kind: str) -> str:
    """Return what PortAudio says as a clause; where the machine has no `kind` ("microphone",
    "loudspeaker") at all, that it has none."""
    told = " ".join(str(error).split()).rstrip(".")
    return f"this machine has no {kind}" if told.endswith(NO_DEVICE) else told
