"""Faint noise for the engines: exact zeros, which no microphone gives, upset both of them.

A file with digital silence shifts pocketsphinx's running mean so far that it misses what follows,
and puts vosk's log energies where no training data was. One step of 16 bits, -90 dBFS, cures both.
"""

from __future__ import annotations

import numpy as np

from listener.audio.samples import Samples

_SEED = 20
_PERIOD = 1 << 16  # about 4 s: long enough that no engine hears it repeat


class Dither:
    """Adds the same noise each time it is made, so that a file is heard alike on every run."""

    def __init__(self) -> None:
        noise = np.random.default_rng(_SEED).normal(0.0, 1.0, _PERIOD)
        self._noise = np.rint(noise).astype(np.int16)
        self._at = 0

    def fresh(self) -> Dither:
        """Return the same noise from its beginning. The noise itself is shared, so this is cheap."""
        copy = object.__new__(Dither)
        copy._noise, copy._at = self._noise, 0
        return copy

    def add(self, samples: Samples) -> Samples:
        """Return `samples` with the next stretch of noise, of one step (rms), added."""
        where = (self._at + np.arange(len(samples))) % _PERIOD
        self._at = int((self._at + len(samples)) % _PERIOD)
        sums = samples.astype(np.int32) + self._noise[where]
        dithered: Samples = np.clip(sums, -32768, 32767).astype(np.int16)
        return dithered
