"""The arithmetic of the decoder, held to scipy's and to numbers of 64 bits."""

from __future__ import annotations

import numpy as np
from scipy.special import erf

from listener.recognition import whisper_decoder


def test_the_gelu_is_that_of_scipy_to_seven_digits() -> None:
    x = np.linspace(-12, 12, 20_001)
    wanted = 0.5 * x * (1 + erf(x / np.sqrt(2)))
    found = whisper_decoder._gelu(x.astype(np.float32)[None])[0]
    np.testing.assert_allclose(found, wanted, rtol=1e-6, atol=5e-7)


def test_a_layer_is_normalised_to_mean_0_and_spread_1() -> None:
    x = np.random.default_rng(3).normal(5.0, 3.0, (4, 512))
    wanted = (x - x.mean(1, keepdims=True)) / np.sqrt(x.var(1, keepdims=True) + 1e-5) * 2 + 1
    norm = whisper_decoder._Norm(np.full(512, 2, np.float32), np.ones(512, np.float32))
    np.testing.assert_allclose(norm(x.astype(np.float32)), wanted, atol=1e-5)
