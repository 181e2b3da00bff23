"""Tries a microphone before a case: measures how loud each channel is. No sound is kept."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

import numpy as np

from grammar.errors import UserError
from listener.audio.blocks import Source
from listener.audio.voice_activity import level_dbfs

QUIET_DBFS: Final = -50.0
"""Speech that never gets louder than this is hardly heard (common practice, no source)."""

FULL: Final = 32_700
"""A sample this large, of 32,767, is cut off."""


class LevelCheck:
    """Listens to a source in a thread of its own until `stop`."""

    def __init__(self, source: Callable[[], Source]) -> None:
        self._make = source
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="level check", daemon=True)
        self.name = ""
        """Name of the source in words; empty before the first sound."""
        self.levels: tuple[float, ...] = ()
        """Level of each channel, dB relative to full scale; empty before the first sound."""
        self.loudest = -np.inf
        """The loudest level so far."""
        self.clipped = False
        """Whether any sound so far was cut off."""
        self.failure = ""
        """A sentence on why nothing can be heard; "" while sound comes."""

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Let the microphone go."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(timeout=3)

    @property
    def verdict(self) -> str:
        """Return the outcome in a few words."""
        if self.failure:
            return self.failure
        if not self.levels:
            return "waiting for sound"
        if self.clipped:
            return "TOO LOUD, cut off: turn the input down"
        if self.loudest < QUIET_DBFS:
            return "too quiet so far: say a few words"
        return "good: speech gets through"

    def _listen(self) -> None:
        try:
            source = self._make()
            self.name = source.name
            for block in source.blocks():
                if self._stopped.is_set():
                    return
                samples = block.samples
                self.levels = tuple(level_dbfs(samples[:, at]) for at in range(samples.shape[1]))
                self.loudest = max(self.loudest, *self.levels)
                self.clipped |= bool((np.abs(samples.astype(np.int32)) >= FULL).any())
        except UserError as error:
            self.failure = str(error)
