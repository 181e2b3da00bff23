"""Keeps the program from hearing itself: while it plays a sound, the microphone is recorded, not
heard.

The segmenter gets the room's own noise of just before in its place, so that neither the end nor the
return of sound is taken for speech.
"""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np

from listener.audio.blocks import Block
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.tones import beside_dbfs, voice_beside


class PlaybackSuppression:
    """Stretches of the case's clock that are not heard. Safe to use from several threads."""

    def __init__(self) -> None:
        self.turn = threading.Lock()
        """A lock for whoever plays: one at a time."""
        self._lock = threading.Lock()
        self._stretches: list[tuple[float, float]] = []
        self._watched = False
        self._spoke = False
        """Whether somebody seemed to speak in the block before."""
        self._room: Samples | None = None
        self._floor_dbfs = -100.0
        self.interrupted = threading.Event()
        """Set when somebody began to speak while one of our tones played."""

    def begin(self, at: float) -> None:
        """Hear nothing from `at` on, seconds."""
        with self._lock:
            self._stretches.append((at, np.inf))
            self._watched = self._spoke = False
            self.interrupted.clear()

    def watch(self, tones: bool) -> None:
        """Say whether what plays now are our tones, beside which a voice can be told."""
        self._watched = tones

    def end(self, at: float) -> None:
        """Hear again from `at` on."""
        with self._lock:
            began, _ = self._stretches[-1]
            self._stretches[-1] = (began, max(at, began))

    def heard(self, block: Block) -> Block:
        """Return the block as it is to be heard."""
        start, end = block.t, block.t + len(block.samples) / SAMPLE_RATE
        with self._lock:
            self._stretches = [one for one in self._stretches if one[1] > start - 60]
            covered = [one for one in self._stretches if one[0] < end and one[1] > start]
            going_on = any(one[1] == np.inf for one in covered)
        if not covered:
            self._room = block.samples
            self._floor_dbfs = max(self._beside(block.samples), -100.0)
            return block
        speaks = going_on and self._watched and self._speaks(block.samples)
        if speaks and self._spoke:  # one block alone may be a click
            self.interrupted.set()
        self._spoke = speaks
        times = start + np.arange(len(block.samples)) / SAMPLE_RATE
        silent = np.zeros(len(times), dtype=bool)
        for began, ended in covered:
            silent |= (times >= began) & (times < ended)
        samples = block.samples.copy()
        samples[silent] = self._noise(len(times), block.samples.shape[1])[silent]
        return replace(block, samples=samples)

    def _noise(self, length: int, channels: int) -> Samples:
        room = self._room
        if room is None or not len(room) or room.shape[1] != channels:
            return np.zeros((length, channels), dtype=np.int16)
        # Backwards and forwards in turn: no jump where the pieces meet.
        again = np.concatenate([room[::-1], room])
        return np.resize(again, (length, channels)).astype(np.int16)

    def _speaks(self, samples: Samples) -> bool:
        return any(voice_beside(samples[:, at], self._floor_dbfs) for at in range(samples.shape[1]))

    def _beside(self, samples: Samples) -> float:
        return max(beside_dbfs(samples[:, at]) for at in range(samples.shape[1]))
