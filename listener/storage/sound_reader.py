"""Reads one file of a case's sound: whole, cut off by a crash, or locked."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile

from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sources import Forward
from listener.storage.encrypted_audio import EncryptedAudioReader
from listener.storage.passphrase import Keys

LOCKED = ".locked"
"""The ending of a locked file's name."""

_STEP = 1024
"""Samples read at once in search of the end; at most so many of it are lost."""


_LONGEST = SAMPLE_RATE * 3600 * 24 * 366
"""Samples of a year; where the writer was killed libsndfile gives a larger number."""

_HEADS = 1 << 20
"""Bytes that a file may have beside its samples."""


class SoundReader(Protocol):
    """Sound that can be read anywhere, 16 kHz."""

    frames: int
    """Samples of each channel that can be read."""
    channels: int
    complete: bool
    """Whether the file has its end; else that was lost."""

    def read(self, first: int, count: int) -> Samples:
        """Return `count` samples from `first` on, shape (n, channels), fewer at the end."""


class FlacSound:
    """A FLAC file. Raises UserError where none of it can be read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            with Forward(path) as file:
                self.channels = int(file.channels)
                _refuse_padding(path, len(file), self.channels)
                self.complete = _has_end(file)
                self.frames = len(file)
            if not self.complete:
                self.frames = _readable(path)
        except (OSError, soundfile.LibsndfileError):
            raise UserError(f"{path}: no sound can be read from it") from None

    def read(self, first: int, count: int) -> Samples:
        """Return `count` samples from `first` on, fewer at the end or where the file is damaged."""
        count = min(count, self.frames - first)
        found = [np.zeros((0, self.channels), np.int16)]
        try:
            with Forward(self._path) as file:
                file.seek(first)
                for at in range(0, count, SAMPLE_RATE):
                    wanted = min(SAMPLE_RATE, count - at)
                    found.append(file.read(wanted, dtype="int16", always_2d=True))
        except (OSError, soundfile.LibsndfileError):
            pass  # damaged from here on, or the folder is gone
        return np.concatenate(found)


def kept_sound(path: Path, keys: Keys | None) -> SoundReader:
    """Return the sound in a file. Raises UserError where none can be read."""
    if path.name.endswith(LOCKED):
        if keys is None:
            raise UserError(f"{path} is locked, and its case has no passphrase")
        return EncryptedAudioReader(path, keys.sound)
    return FlacSound(path)


def _refuse_padding(path: Path, frames: int, channels: int) -> None:
    """Raise UserError where a file is far longer than its sound.

    To look for a moment in gigabytes of nothing would take minutes. FLAC takes no more room than its
    samples, but for its blocks' heads.
    """
    if frames <= _LONGEST and path.stat().st_size > 3 * frames * channels + _HEADS:
        raise UserError(f"{path} is longer than the sound in it can be: it was changed")


def _has_end(file: soundfile.SoundFile) -> bool:
    # A recording whose writer was killed knows no length: libsndfile then gives the largest number.
    if len(file) > _LONGEST:
        return False
    if not len(file):
        return False
    try:
        file.seek(len(file) - 1)
        return len(file.read(1)) == 1
    except soundfile.LibsndfileError:
        return False


def _readable(path: Path) -> int:
    frames = 0
    with Forward(path) as file:
        try:
            while got := len(file.read(_STEP, dtype="int16", always_2d=True)):
                frames += got
        except soundfile.LibsndfileError:
            pass  # here the file ends, or is torn
    return frames
