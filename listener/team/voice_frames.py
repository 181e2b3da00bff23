"""Mel spectra of a voice, as the speaker encoder was trained on them.

Frames of 25 ms every 10 ms (Hann window, power spectrum, no logarithm) in 40 bands on Slaney's mel scale,
each of area 1: librosa's `feature.melspectrogram(y, sr=16000, n_fft=400, hop_length=160, n_mels=40)`, to
which a test holds numbers computed with librosa's formulas (librosa documentation, `filters.mel`).
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.samples import SAMPLE_RATE, Samples

Floats = NDArray[np.float32]

BANDS: Final = 40
FRAME: Final = 160
"""Samples from one frame to the next: 10 ms."""

_WINDOW: Final = 400
_AT_ONCE: Final = 100
"""Frames in one product: a larger one wakes numpy's other threads, which then wait at full speed and take
the processor from those who hear."""
_LEVEL_DBFS: Final = -30.0
"""Quieter sound is made this loud first, as it was in the encoder's training."""
_PIECE: Final = 480
"""Samples that are voice or not, as one: 30 ms."""
_BELOW_DB: Final = 30.0
"""A piece this far below the loudest is no voice."""
_ABOVE_NOISE: Final = 2.0
"""Voice has at least this many times the power of the quietest tenth."""
_AROUND: Final = 3
"""So many pieces on each side of a voiced one stay: 90 ms."""

_LINEAR_HZ: Final = 200.0 / 3.0
_LOG_FROM_HZ: Final = 1000.0
_LOG_STEP: Final = float(np.log(6.4) / 27.0)


def voiced(samples: Samples) -> Floats:
    """Return the parts in which somebody speaks, in [-1, 1], brought to the level of training; shape (n,).

    Where no part stands out of the noise, all of the sound.
    """
    sound = levelled(samples)
    count = len(sound) // _PIECE
    if count < 3:
        return sound
    pieces = sound[: count * _PIECE].reshape(count, _PIECE)
    power = np.mean(pieces**2, axis=1)
    loud = (power > power.max() * 10.0 ** (-_BELOW_DB / 10.0)) & (
        power > np.percentile(power, 10) * _ABOVE_NOISE
    )
    near = np.convolve(loud, np.ones(2 * _AROUND + 1))[_AROUND : _AROUND + count] > 0
    kept: Floats = pieces[near].ravel()
    return kept if len(kept) >= SAMPLE_RATE // 10 else sound


def levelled(samples: Samples) -> Floats:
    """Return the sound in [-1, 1], made as loud as in the encoder's training where it is quieter; shape
    (n,).
    """
    sound = samples.astype(np.float32) / np.float32(32768.0)
    rms = float(np.sqrt(np.mean(sound**2))) if len(sound) else 0.0
    wanted = 10.0 ** (_LEVEL_DBFS / 20.0)
    return sound * np.float32(wanted / rms) if 0.0 < rms < wanted else sound


def mel_frames(sound: Floats) -> Floats:
    """Return the spectra of sound in [-1, 1], shape (n,), as shape (1 + n // 160, 40)."""
    padded = np.pad(sound, _WINDOW // 2)
    count = (len(padded) - _WINDOW) // FRAME + 1
    frames = padded[FRAME * np.arange(count)[:, np.newaxis] + np.arange(_WINDOW)]
    power = np.abs(np.fft.rfft(frames * _hann(), axis=1)) ** 2
    power, bank = power.astype(np.float32), _bank()
    bands = np.empty((count, BANDS), np.float32)
    for first in range(0, count, _AT_ONCE):
        np.matmul(power[first : first + _AT_ONCE], bank, out=bands[first : first + _AT_ONCE])
    return bands


@cache
def _hann() -> Floats:
    turn = 2.0 * np.pi * np.arange(_WINDOW) / _WINDOW
    return (0.5 - 0.5 * np.cos(turn)).astype(np.float32)


@cache
def _bank() -> Floats:
    """Triangles between mel-spaced points, each of area 1: shape (201, 40)."""
    points = _hertz(np.linspace(0.0, _mel(SAMPLE_RATE / 2.0), BANDS + 2))
    at = np.linspace(0.0, SAMPLE_RATE / 2.0, _WINDOW // 2 + 1)
    low, middle, high = points[:-2, None], points[1:-1, None], points[2:, None]
    triangles = np.maximum(
        0.0, np.minimum((at - low) / (middle - low), (high - at) / (high - middle))
    )
    return np.ascontiguousarray((triangles * 2.0 / (high - low)).T, np.float32)


def _mel(hertz: float) -> float:
    """Slaney's scale: even up to 1 kHz, by the logarithm above (Auditory Toolbox, 1998)."""
    if hertz < _LOG_FROM_HZ:
        return hertz / _LINEAR_HZ
    return _LOG_FROM_HZ / _LINEAR_HZ + float(np.log(hertz / _LOG_FROM_HZ)) / _LOG_STEP


def _hertz(mel: NDArray[np.float64]) -> NDArray[np.float64]:
    knee = _LOG_FROM_HZ / _LINEAR_HZ
    above = _LOG_FROM_HZ * np.exp(_LOG_STEP * (np.maximum(mel, knee) - knee))
    return np.where(mel < knee, mel * _LINEAR_HZ, above)
