"""The energy of sound in bands, and how much of it is noise."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.samples import SAMPLE_RATE, Samples

FRAME: Final = 160
"""Samples from one frame to the next: 10 ms."""

WINDOW: Final = 400
"""Samples that a frame looks at: 25 ms."""

_WINDOW: Final = np.hanning(WINDOW)

_FFT: Final = 512
_EDGES_HZ: Final = (100, 250, 400, 600, 850, 1150, 1600, 2200, 3000, 4200, 5600, 7500)
BANDS: Final = len(_EDGES_HZ) - 1
_EDGES: Final = np.array(_EDGES_HZ) * _FFT // SAMPLE_RATE

_FAINT: Final = 4.0
"""Level of noise, rms in steps of 16 bits (-78 dBFS), that is assumed always to be there: no
microphone is quieter, and exact zeros would make the faintest hiss stand out."""

_FAINT_IN_BANDS: Final = _FAINT**2 * np.sum(_WINDOW**2) * np.diff(_EDGES)

_UNKNOWN_DB: Final = 55.0
"""Energy of a frame in a band in a quiet room, dB: the floor until half a second has been heard."""

Energies = NDArray[np.float64]
"""Shape (frames, BANDS), dB."""


def frame_energies(samples: Samples) -> Energies:
    """Return the energy of each whole frame of `samples`, shape (n,), in each band, in dB."""
    count = (len(samples) - WINDOW) // FRAME + 1
    if count <= 0:
        return np.zeros((0, BANDS))
    # Not by numpy's sliding windows: each makes names anew, with every block, and Python's table of all
    # names, two megabytes, is then built again and again, where it leaves holes.
    frames = samples[FRAME * np.arange(count)[:, np.newaxis] + np.arange(WINDOW)]
    power = np.abs(np.fft.rfft(frames * _WINDOW, _FFT)) ** 2
    sums = np.add.reduceat(power[:, : _EDGES[-1]], _EDGES[:-1], axis=1)
    energies: Energies = 10.0 * np.log10(sums + _FAINT_IN_BANDS)
    return energies


def levels_of(energies: Energies) -> NDArray[np.float64]:
    """Return the level of each frame, all bands together, in dB: shape (frames,)."""
    levels: NDArray[np.float64] = 10.0 * np.log10(np.sum(10.0 ** (energies / 10.0), axis=1))
    return levels


class NoiseFloor:
    """The noise in each band: the least smoothed energy of the last three seconds.

    Speech leaves every band for a moment within three seconds, noise does not.
    """

    _PARTS: Final = 6
    _PART_FRAMES: Final = 50
    """Frames of each half second; the three seconds are remembered as one minimum for each."""
    _SMOOTHING: Final = 0.8
    """Share of the last frame's smoothed energy: about 50 ms."""
    _BIAS_DB: Final = 2.0
    """A minimum lies this far below the mean of steady noise, about."""

    def __init__(self) -> None:
        self._parts = np.full((self._PARTS, BANDS), np.inf)
        self._before = self._parts[0]
        """The least of all parts."""
        self._least = np.full(BANDS, np.inf)
        self._smooth: Energies | None = None
        self._frames = 0

    def follow(self, energies: Energies) -> Energies:
        """Return the floor under each of the next frames, same shape as `energies`, in dB."""
        floors = np.empty_like(energies)
        for number, energy in enumerate(energies):
            floors[number] = self._next(energy)
        return floors

    def _next(self, energy: Energies) -> Energies:
        before = energy if self._smooth is None else self._smooth
        self._smooth = self._SMOOTHING * before + (1.0 - self._SMOOTHING) * energy
        self._least = np.minimum(self._least, self._smooth)
        floor: Energies = np.minimum(self._least, self._before) + self._BIAS_DB
        if self._frames < self._PART_FRAMES:
            # Sound that begins in the middle of a word must not take that word for noise.
            floor = np.minimum(floor, _UNKNOWN_DB)
        self._frames += 1
        if self._frames % self._PART_FRAMES == 0:
            self._parts = np.roll(self._parts, 1, axis=0)
            self._parts[0], self._least = self._least, self._smooth
            self._before = self._parts.min(axis=0)
        return floor
