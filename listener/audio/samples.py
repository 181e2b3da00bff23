"""The type and the rate of samples of sound, throughout the listening half."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE = 16_000
"""Samples a second, mono, signed 16 bit: what every recogniser takes."""

Samples = NDArray[np.int16]
"""Shape (n,): one channel."""
