"""The encoder's network, run by numpy: little code, and no library to install for it."""

from __future__ import annotations

from importlib.resources import as_file, files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.samples import Samples
from listener.team.voice_frames import Floats, mel_frames, voiced

Voiceprint = NDArray[np.float32]
"""Shape (256,), of length 1, no number below 0."""

SIZE: Final = 256
LAYERS: Final = 3
WINDOW: Final = 160
"""Frames of 10 ms that make one print; of longer speech the mean of windows is taken."""
STEP: Final = 53
"""Frames from one window to the next, at least."""
LEAST: Final = 40
"""Frames of voice below which there is no print: 0.4 s hold no word."""


class SpeakerEncoder:
    """Weights in memory, 5.7 MB. May be used from several threads."""

    def __init__(self) -> None:
        with as_file(files("listener.team.speaker_encoder") / "weights.npz") as path:
            stored = np.load(path, allow_pickle=False)
            self._input = [_turned(stored[f"lstm.weight_ih_l{at}"]) for at in range(LAYERS)]
            self._recurrent = [_turned(stored[f"lstm.weight_hh_l{at}"]) for at in range(LAYERS)]
            self._bias = [
                (stored[f"lstm.bias_ih_l{at}"] + stored[f"lstm.bias_hh_l{at}"]).astype(np.float32)
                for at in range(LAYERS)
            ]
            self._linear = _turned(stored["linear.weight"])
            self._offset = stored["linear.bias"].astype(np.float32)

    def print_of(self, samples: Samples) -> Voiceprint | None:
        """The voiceprint of one channel's sound, shape (n,), 16 kHz; None where too little is voice."""
        frames = mel_frames(voiced(samples))
        if len(frames) < LEAST:
            return None
        if len(frames) <= WINDOW:
            return np.asarray(self._prints(frames[np.newaxis])[0])
        starts = list(range(0, len(frames) - WINDOW + 1, STEP))
        if starts[-1] + WINDOW < len(frames):
            starts.append(len(frames) - WINDOW)
        windows = np.stack([frames[start : start + WINDOW] for start in starts])
        return unit(self._prints(windows).mean(axis=0))

    def _prints(self, windows: Floats) -> Floats:
        """Of windows alike in length, shape (n, frames, 40): their prints, shape (n, 256)."""
        rows, frames, _ = windows.shape
        values = np.ascontiguousarray(windows.transpose(1, 0, 2))
        hidden = np.zeros((rows, SIZE), np.float32)
        for into, back, bias in zip(self._input, self._recurrent, self._bias, strict=True):
            # All frames' share of the input at once: only what comes back has to wait its turn.
            given = values.reshape(frames * rows, -1) @ into + bias
            values = np.empty((frames, rows, SIZE), np.float32)
            hidden, cell = np.zeros_like(hidden), np.zeros((rows, SIZE), np.float32)
            for at, one in enumerate(given.reshape(frames, rows, 4 * SIZE)):
                gates = one + hidden @ back
                # The order of gates is torch's: input, forget, cell, output (torch.nn.LSTM).
                opened = _sigmoid(gates)
                cell = opened[:, SIZE : 2 * SIZE] * cell + opened[:, :SIZE] * np.tanh(
                    gates[:, 2 * SIZE : 3 * SIZE]
                )
                hidden = values[at] = opened[:, 3 * SIZE :] * np.tanh(cell)
        raw = np.maximum(hidden @ self._linear + self._offset, 0.0)
        return unit(raw)


def similarity(one: Voiceprint, other: Voiceprint) -> float:
    """The cosine of two prints, 0 to 1."""
    return float(one @ other)


def unit(values: Floats) -> Floats:
    """Brought to length 1 along the last axis."""
    return np.asarray(
        values / np.maximum(np.linalg.norm(values, axis=-1, keepdims=True), 1e-9), np.float32
    )


def _sigmoid(values: Floats) -> Floats:
    return np.asarray(0.5 * np.tanh(0.5 * values) + 0.5, np.float32)


def _turned(weights: NDArray[np.float16]) -> Floats:
    return np.ascontiguousarray(weights.T.astype(np.float32))
