"""Sources of sound: a file, or raw samples on standard input. The microphone has `microphone.py`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from grammar.errors import UserError
from listener.audio.blocks import BLOCK, Block, Source, paced, reblocked
from listener.audio.microphone import Microphone
from listener.audio.samples import SAMPLE_RATE, Samples

__all__ = ["AudioFile", "Block", "Microphone", "RawPcm", "Source", "paced"]


class Forward(soundfile.SoundFile):  # type: ignore[misc]  # soundfile has no types
    """Read from front to back only.

    soundfile otherwise seeks after each read, and fails in a recording whose writer was killed.
    """

    def seekable(self) -> bool:
        """Return False, so that soundfile never seeks."""
        return False


class AudioFile:
    """A WAV, FLAC or other file that libsndfile reads, of any sample rate and number of channels.

    Read and resampled as it is needed, so that hours cost no more memory than seconds.
    """

    rate = SAMPLE_RATE
    live = False

    def __init__(self, path: Path) -> None:
        """Raise UserError for a file that is missing, not audio, or empty."""
        if not path.exists():
            raise UserError(f"There is no file {path}.")
        if path.is_dir():
            raise UserError(f"{path} is a folder, not an audio file.")
        try:
            with Forward(path) as file:
                # Not by its length, which a file whose writer was killed does not know.
                empty = not len(file.read(1, dtype="float32", always_2d=True))
                self.channels = int(file.channels)
                self._file_rate = int(file.samplerate)
        except (OSError, soundfile.LibsndfileError) as error:
            raise UserError(f"{path} cannot be read as audio: {_reason(error)}") from None
        if empty:
            raise UserError(f"The audio file {path} is empty.")
        self.name = path.name
        self._path = path

    def blocks(self) -> Iterator[Block]:
        """Yield the file's sound. Raises UserError where it is broken in the middle."""
        return reblocked(self._resampled())

    def _resampled(self) -> Iterator[Samples]:
        if self._file_rate == SAMPLE_RATE:
            yield from (_int16(piece) for piece in self._pieces())
            return
        stream = soxr.ResampleStream(
            self._file_rate, SAMPLE_RATE, self.channels, dtype="float32", quality="HQ"
        )
        for piece in self._pieces():
            yield _int16(stream.resample_chunk(piece).reshape(-1, self.channels))
        rest = np.zeros((0, self.channels), dtype=np.float32)
        yield _int16(stream.resample_chunk(rest, last=True).reshape(-1, self.channels))

    def _pieces(self) -> Iterator[NDArray[np.float32]]:
        """Yield the file's own samples, 100 ms at a time."""
        piece_length = max(1, self._file_rate // 10)
        try:
            with Forward(self._path) as file:
                while len(piece := file.read(piece_length, dtype="float32", always_2d=True)):
                    yield piece
        except (OSError, soundfile.LibsndfileError) as error:
            raise UserError(f"{self._path} cannot be read further: {_reason(error)}") from None


class RawPcm:
    """Signed 16-bit little-endian mono samples at 16 kHz, such as from standard input."""

    channels = 1
    rate = SAMPLE_RATE
    live = True

    def __init__(self, stream: BinaryIO, name: str = "standard input") -> None:
        self.name = name
        self._stream = stream

    def blocks(self) -> Iterator[Block]:
        """Yield blocks as they arrive. Raises UserError where not one sample came."""
        at = 0
        odd = b""
        while data := self._stream.read(2 * BLOCK - len(odd)):
            data = odd + data
            whole = len(data) - len(data) % 2
            odd = data[whole:]
            samples = np.frombuffer(data[:whole], dtype="<i2").astype(np.int16)
            if len(samples):
                yield Block(at / SAMPLE_RATE, samples[:, np.newaxis])
                at += len(samples)
        if not at:
            raise UserError(f"No audio came from {self.name}.")


def _int16(sound: NDArray[np.float32]) -> Samples:
    """Return sound in [-1, 1] as 16-bit samples; values beyond are clipped, values that are no
    number are silence."""
    scaled = np.clip(np.rint(np.nan_to_num(sound) * 32768.0), -32768, 32767)
    samples: Samples = scaled.astype(np.int16)
    return samples


def _reason(error: Exception) -> str:
    """Return the reason of an error, as a clause with its full stop."""
    said = getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error)
    return f"{str(said).rstrip('.').lower()}."
