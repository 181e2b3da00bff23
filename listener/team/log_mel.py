"""Log-mel features as vosk computes them for our network (Kaldi's fbank, 40 bins, 16 kHz), by numpy.

Constants are Kaldi's defaults: 25 ms frames every 10 ms, "povey" window, pre-emphasis 0.97, mel scale
1127 ln(1 + f/700), log of at least the float epsilon. A test compares with the package
kaldi-native-fbank.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.kaldi_files import FEATURES
from listener.team.voice_frames import Floats

_FRAME, _SHIFT, _SIZE = 400, 160, 512
_BINS = int(FEATURES["num-mel-bins"])
_LOW_HZ, _HIGH_HZ = float(FEATURES["low-freq"]), float(FEATURES["high-freq"])


def log_mel(samples: Samples) -> Floats:
    """Return the features of sound, 16-bit integers (n,), as (frames, 40); whole frames only."""
    count = 0 if len(samples) < _FRAME else 1 + (len(samples) - _FRAME) // _SHIFT
    at = _SHIFT * np.arange(count)[:, np.newaxis] + np.arange(_FRAME)
    frames = samples.astype(np.float64)[at]
    frames -= frames.mean(axis=1, keepdims=True)
    frames -= 0.97 * np.concatenate([frames[:, :1], frames[:, :-1]], axis=1)
    window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(_FRAME) / (_FRAME - 1))) ** 0.85
    power = np.abs(np.fft.rfft(frames * window, _SIZE, axis=1)) ** 2
    least = np.finfo(np.float32).eps
    return np.asarray(np.log(np.maximum(power @ _banks().T, least)), np.float32)


@cache
def _banks() -> Floats:
    """Triangles even on the mel scale, shape (40, 257)."""
    low, high = _mel(np.array([_LOW_HZ, _HIGH_HZ]))
    step = (high - low) / (_BINS + 1)
    mels = _mel(np.arange(_SIZE // 2 + 1) * SAMPLE_RATE / _SIZE)
    left = low + step * np.arange(_BINS)[:, np.newaxis]
    rising, falling = (mels - left) / step, (left + 2 * step - mels) / step
    banks = np.maximum(np.minimum(rising, falling), 0.0)
    banks[:, -1] = 0.0  # Kaldi leaves the Nyquist bin out
    return np.asarray(banks, np.float32)


def _mel(hertz: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1127 * np.log1p(hertz / 700))
