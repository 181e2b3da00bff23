"""A case's audio, written to FLAC as it comes."""

from __future__ import annotations

import os
from pathlib import Path

import soundfile

from grammar.errors import UserError
from listener.recogniser import SAMPLE_RATE, Samples


class Recording:
    """A growing FLAC file, 16 kHz, 16 bit, readable by its owner only.

    Once a second what was written is handed to the operating system, so a killed process loses
    little: a FLAC file without its end can be played up to there.
    """

    def __init__(self, path: Path, channels: int) -> None:
        """A new file at `path`. Raises UserError where it exists already or cannot be written."""
        self.path = path
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
            # By handle, as by name it would be opened with the umask's wider rights.
            self._file = soundfile.SoundFile(
                self._handle,
                "w",
                samplerate=SAMPLE_RATE,
                channels=channels,
                format="FLAC",
                subtype="PCM_16",
                closefd=False,
            )
        except FileExistsError:
            raise UserError(f"The recording {path} exists already.") from None
        except OSError as error:
            raise UserError(f"No audio can be written to {path}: {error.strerror}.") from None
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
        if not self._file.closed:
            self._file.close()
            os.close(self._handle)
