"""A case's audio, written to FLAC as it comes."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

import numpy as np
import soundfile

from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.storage.disk_trouble import cause, hindrance, told
from listener.storage.encrypted_audio import EncryptedAudioWriter
from listener.storage.passphrase import Keys
from listener.storage.private_files import settle
from listener.storage.sound_reader import LOCKED


class NotWritten(UserError):
    """Raised where the disk does not take a recording; `why` is a clause."""

    def __init__(self, what: str, why: str) -> None:
        super().__init__(f"{what}: {why}.")
        self.why = why


class FlacWriter:
    """A growing FLAC file, 16 kHz, 16 bit, readable by its owner only.

    Once a second what was written is put on the disk, so a killed process or a power cut takes
    little: a FLAC file without its end can be played up to there.
    """

    def __init__(self, path: Path, channels: int, keys: Keys | None = None) -> None:
        """Make a new file at `path`; with `keys` it is locked, and named so.

        Raises UserError where it exists already, and as NotWritten where it cannot be written.
        """
        self.name = path.name
        """Its name in facts, locked or not."""
        self.keys = keys
        self.path = path = path if keys is None else path.with_name(path.name + LOCKED)
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise UserError(f"The recording {path} exists already.") from None
        except OSError as error:
            raise NotWritten(f"No audio can be written to {path}", told(error)) from None
        try:
            if keys is None:
                self._file = _flac(self._handle, channels)
            else:
                self._file = EncryptedAudioWriter(self._handle, channels, keys.sound)
        except (OSError, soundfile.LibsndfileError) as error:
            why = cause(path, error)
            os.close(self._handle)
            with suppress(OSError):
                path.unlink()
            raise NotWritten(f"No audio can be written to {path}", why) from None
        settle(path.parent)
        self._unflushed = 0

    def write(self, samples: Samples) -> None:
        """Add samples, shape (n, channels). Raises NotWritten where the disk takes no more."""
        why = ""
        try:
            if isinstance(self._file, EncryptedAudioWriter):
                self._file.write(samples)
            else:
                # As bytes: to be given an array, soundfile asks numpy for names that are made anew each
                # time, and Python's table of all names is built again and again (see `noise_floor.py`).
                self._file.buffer_write(samples.astype(np.int16, copy=False).tobytes(), "int16")
            self._unflushed += len(samples)
            if self._unflushed >= SAMPLE_RATE:
                self._file.flush()
                self._unflushed = 0
                # Of a drive that was taken away the open file may go on, and nobody will see it again.
                why = hindrance(self.path)
        except (OSError, soundfile.LibsndfileError) as error:
            why = cause(self.path, error)
        if why:
            raise NotWritten(f"The recording {self.path} cannot be continued", why)

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
    """Return the name of a case's next file of sound: audio-2.flac, audio-3.flac, …"""
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
