"""Records a case's sound in a thread of its own, whatever happens to the disk.

Sample k of a file is always the sound of k / 16000 s after the file's beginning: what is paused or could
not be written in time is silence there. A file that fails is closed, and another begins once the disk
takes it.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from contextlib import suppress
from typing import Final

import numpy as np

from grammar.case.facts import NOT_RECORDED, RecordingSet, Warned
from grammar.errors import UserError
from listener.audio.blocks import BLOCK, BLOCKS_A_SECOND
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.storage.flac_writer import FlacWriter, NotWritten, next_name

WAITING_BLOCKS: Final = 60 * BLOCKS_A_SECOND
"""Blocks, one minute of sound, that wait for a disk that does not answer; later ones are left out."""

PATIENCE_S: Final = 1.0
"""Seconds that whoever brings sound waits, once, for a disk that took all of it before: a pipe may bring
sound quicker than it can be written."""

RETRY_S: Final = 1.0
"""Seconds of sound between two tries to begin a file."""


class RecordingThread:
    """Takes sound at once and writes it when it can."""

    def __init__(self, recording: FlacWriter, channels: int, begins_s: float = 0.0) -> None:
        """`recording` is a new file whose sound begins `begins_s` seconds into the case."""
        self.paused = False
        """Whether a person wants silence in the file."""
        self.trouble = ""
        """A sentence on why nothing is recorded at the moment; "" while it is."""
        self._recording: FlacWriter | None = recording
        self._folder, self._keys = recording.path.parent, recording.keys
        self._channels = channels
        self._at = round(begins_s * SAMPLE_RATE)
        """Sample of the case's clock that the file takes next."""
        self._trying_s: float | None = None
        """Beginning of a further file that the disk has not proved to take yet, seconds; else None."""
        self._waiting: queue.Queue[tuple[float, Samples] | None] = queue.Queue(WAITING_BLOCKS)
        self._told: queue.SimpleQueue[RecordingSet | Warned] = queue.SimpleQueue()
        self._closed = False
        self._thread = threading.Thread(target=self._write_all, name="recording", daemon=True)
        self._thread.start()

    def put(self, t: float, samples: Samples) -> None:
        """Take samples, shape (n, channels), of `t` seconds into the case. Waits only where a minute of
        sound waits already, `PATIENCE_S` at most, and not again until the disk takes sound."""
        piece = (t, np.zeros_like(samples) if self.paused else samples)
        try:
            self._waiting.put(piece, timeout=0.0 if self.trouble else PATIENCE_S)
        except queue.Full:
            self.trouble = "the sound is not recorded: the disk does not answer"

    def news(self) -> Iterator[RecordingSet | Warned]:
        """Yield where recording broke off, and why, and where it went on, since the last call."""
        while not self._told.empty():
            yield self._told.get()

    def close(self, patience_s: float = 5.0) -> None:
        """Finish the file, for at most `patience_s`. May be called more than once."""
        if self._closed:
            return
        self._closed = True
        try:
            self._waiting.put(None, timeout=patience_s)
        except queue.Full:
            return
        self._thread.join(patience_s)

    def _write_all(self) -> None:
        retry_s = 0.0
        while (piece := self._waiting.get()) is not None:
            t, samples = piece
            try:
                if self._recording is None and t >= retry_s:
                    self._begin(t)
                if self._recording is not None:
                    self._write(self._recording, t, samples)
            except UserError as error:
                self._broken(t, error)
                retry_s = t + RETRY_S
        if self._recording is not None:
            self._finish(self._recording)
            self._proved()

    def _begin(self, t: float) -> None:
        """Begin a further file, under the first name that is free."""
        path = self._folder / next_name(self._folder)
        self._recording = FlacWriter(path, self._channels, self._keys)
        self._at, self._trying_s = round(t * SAMPLE_RATE), t

    def _write(self, recording: FlacWriter, t: float, samples: Samples) -> None:
        at = round(t * SAMPLE_RATE)
        for start in range(self._at, at, BLOCK):
            silence = np.zeros((min(BLOCK, at - start), self._channels), dtype=np.int16)
            recording.write(silence)
        recording.write(samples)
        self._at = at + len(samples)
        # What was written is handed to the disk once a second.
        if self._trying_s is None or self._at / SAMPLE_RATE >= self._trying_s + 1.0:
            self._proved()

    def _proved(self) -> None:
        self.trouble = ""
        if self._trying_s is not None and self._recording is not None:
            audio = self._recording.name
            self._told.put(RecordingSet(t=self._trying_s, on=not self.paused, audio=audio))
            self._trying_s = None

    def _broken(self, t: float, error: UserError) -> None:
        why = error.why if isinstance(error, NotWritten) else str(error)
        self.trouble = f"the sound is not recorded: {why}"
        broken, self._recording = self._recording, None
        if broken is None:
            return
        self._finish(broken)
        if self._trying_s is None:
            self._told.put(Warned(t=t, what=NOT_RECORDED, text=self.trouble))
        else:
            self._trying_s = None
            with suppress(OSError):
                broken.path.unlink()

    def _finish(self, recording: FlacWriter) -> None:
        # libsndfile's errors are RuntimeErrors. What is written can be read without the file's end.
        with suppress(OSError, RuntimeError):
            recording.close()
