"""A case's audio, written to FLAC as it comes."""

from __future__ import annotations

import os
from pathlib import Path

import soundfile

from grammar.errors import UserError
from listener.kept_sound import LOCKED
from listener.locked_file import LockedFile
from listener.private import settle
from listener.recogniser import SAMPLE_RATE, Samples
from listener.vault import Keys


class Recording:
    """A growing FLAC file, 16 kHz, 16 bit, readable by its owner only.

    Once a second what was written is put on the disk, so a killed process or a power cut takes
    little: a FLAC file without its end can be played up to there.
    """

    def __init__(self, path: Path, channels: int, keys: Keys | None = None) -> None:
        """A new file at `path`; with `keys` it is locked, and named so.

        Raises UserError where it exists already or cannot be written.
        """
        self.name = path.name
        """As facts name it, locked or not."""
        self.keys = keys
        self.path = path = path if keys is None else path.with_name(path.name + LOCKED)
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
            if keys is None:
                self._file = _flac(self._handle, channels)
            else:
                self._file = LockedFile(self._handle, channels, keys.sound)
        except FileExistsError:
            raise UserError(f"The recording {path} exists already.") from None
        except OSError as error:
            raise UserError(f"No audio can be written to {path}: {error.strerror}.") from None
        settle(path.parent)
        self._unflushed = 0

    def write(self, samples: Samples) -> None:
        """Add samples, shape (n, channels). Raises UserError where the disk takes no more."""
        try:
            self._file.write(samples)
            self._unflushed += len(samples)
            if self._unflushed >= SAMPLE_RATE:
                self._file.flush()
                self._unflushed = 0
        except (OSError, soundfile.LibsndfileError) as error:
            raise UserError(f"The recording {self.path} cannot be continued: {error}.") from None

    def close(self) -> None:
        """Finish the file. May be called more than once."""
        handle, self._handle = self._handle, -1
        if handle < 0:
            return
        try:
            self._file.close()
        finally:
            os.close(handle)


def next_name(folder: Path) -> str:
    """What a case's next file of sound is called: audio-2.flac, audio-3.flac, …"""
    number = 2
    while any((folder / f"audio-{number}.flac{end}").exists() for end in ("", LOCKED)):
        number += 1
    return f"audio-{number}.flac"


def _flac(handle: int, channels: int) -> soundfile.SoundFile:
    # By handle, as by name it would be opened with the umask's wider rights.
    return soundfile.SoundFile(
        handle,
        "w",
        samplerate=SAMPLE_RATE,
        channels=channels,
        format="FLAC",
        subtype="PCM_16",
        closefd=False,
    )
