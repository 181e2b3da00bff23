"""The encoder's network, run by numpy: little code, and no library to install for it."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import as_file, files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.samples import Samples
from listener.team.voice_frames import Floats, mel_frames, voiced

Voiceprint = NDArray[np.float32]
"""Shape (256 for each of `WEIGHTS`,), of length 1, no number below 0."""

WEIGHTS: Final = ("weights.npz", "weights-radio.npz")
"""Files beside this one."""

SIZE: Final = 256
LAYERS: Final = 3
WINDOW: Final = 160
"""Frames of 10 ms that make one print; of longer speech the mean of windows is taken."""
STEP: Final = 53
"""Frames from one window to the next, at least."""
MOST: Final = 4
"""Windows of one sound, spread evenly over longer ones: who spoke is to be known at once."""
COARSE: Final = 10
"""A shorter window is cut to a multiple of this, so that many are alike."""
AT_ONCE: Final = 64
FEW: Final = 2
"""Windows side by side in one product, up to `FEW_ROWS` windows; of more, all at once."""
FEW_ROWS: Final = 12
LEAST: Final = 40
"""Frames of voice below which there is no print: 0.4 s hold no word."""


class SpeakerEncoder:
    """The published encoder, and beside it the same trained further on voices over radios and masks: a
    print holds both. May be used from several threads."""

    def __init__(self) -> None:
        self._networks = [_Network(stored_weights(name)) for name in WEIGHTS]

    def print_of(self, samples: Samples) -> Voiceprint | None:
        """The voiceprint of one channel's sound, shape (n,), 16 kHz; None where too little is voice."""
        return self.prints_of([samples])[0]

    def prints_of(self, sounds: Sequence[Samples]) -> list[Voiceprint | None]:
        """The same of many sounds at once, which costs less than one after the other."""
        windows: dict[int, list[tuple[int, Floats]]] = {}
        for number, sound in enumerate(sounds):
            for window in _windows(mel_frames(voiced(sound))):
                windows.setdefault(len(window), []).append((number, window))
        found: list[list[list[Floats]]] = [[[] for _ in self._networks] for _ in sounds]
        for alike in windows.values():
            for first in range(0, len(alike), AT_ONCE):
                some = alike[first : first + AT_ONCE]
                stacked = np.stack([window for _, window in some])
                for at, network in enumerate(self._networks):
                    for (number, _), one in zip(some, network.prints(stacked), strict=True):
                        found[number][at].append(one)
        return [
            unit(np.concatenate([unit(np.mean(each, axis=0)) for each in by_network]))
            if by_network[0]
            else None
            for by_network in found
        ]


def _windows(frames: Floats) -> list[Floats]:
    """Windows of a sound's spectra; none of one that is too short."""
    if len(frames) <= WINDOW:
        kept = len(frames) // COARSE * COARSE
        return [frames[:kept]] if kept >= LEAST else []
    last = len(frames) - WINDOW
    starts = [*range(0, last, STEP), last]
    if len(starts) > MOST:
        starts = [round(last * at / (MOST - 1)) for at in range(MOST)]
    return [frames[start : start + WINDOW] for start in starts]


class _Network:
    """One set of weights, 5.7 MB in memory."""

    def __init__(self, stored: dict[str, Floats]) -> None:
        half = np.full((4 * SIZE, 1), 0.5, np.float32)
        half[2 * SIZE : 3 * SIZE] = 1.0
        self._input = [stored[f"lstm.weight_ih_l{at}"] * half for at in range(LAYERS)]
        self._recurrent = [stored[f"lstm.weight_hh_l{at}"] * half for at in range(LAYERS)]
        biases = [
            stored[f"lstm.bias_ih_l{at}"] + stored[f"lstm.bias_hh_l{at}"] for at in range(LAYERS)
        ]
        self._bias = [bias[:, np.newaxis] * half for bias in biases]
        self._linear = _turned(stored["linear.weight"])
        self._offset = stored["linear.bias"]

    def prints(self, windows: Floats) -> Floats:
        """Of windows alike in length, shape (n, frames, 40): their prints, shape (n, 256)."""
        rows, frames, bands = windows.shape
        # The weights times a few columns at once is the quickest product there is for so few windows.
        beside = FEW if rows <= FEW_ROWS else rows
        groups = -(-rows // beside)
        padded = np.zeros((groups * beside, frames, bands), np.float32)
        padded[:rows] = windows
        values = (
            padded.reshape(groups, beside, frames, bands)
            .transpose(0, 3, 2, 1)
            .reshape(groups, bands, frames * beside)
        )
        for into, back, bias in zip(self._input, self._recurrent, self._bias, strict=True):
            # All frames' share of the input at once: only what comes back has to wait its turn.
            given = into @ values + bias
            values = np.empty((groups, SIZE, frames * beside), np.float32)
            hidden = cell = np.zeros((groups, SIZE, beside), np.float32)
            for at in range(0, frames * beside, beside):
                # The order of gates is torch's: input, forget, cell, output (torch.nn.LSTM). Their weights
                # are halved but for the cell's, since a sigmoid is half a tanh of half the value.
                gates = np.tanh(given[:, :, at : at + beside] + back @ hidden)
                opened = 0.5 * gates + 0.5
                cell = (
                    opened[:, SIZE : 2 * SIZE] * cell
                    + opened[:, :SIZE] * gates[:, 2 * SIZE : 3 * SIZE]
                )
                hidden = opened[:, 3 * SIZE :] * np.tanh(cell)
                values[:, :, at : at + beside] = hidden
        last = values[:, :, -beside:].transpose(0, 2, 1).reshape(groups * beside, SIZE)[:rows]
        return unit(np.maximum(last @ self._linear + self._offset, 0.0))


def similarity(one: Voiceprint, other: Voiceprint) -> float:
    """The cosine of two prints, 0 to 1."""
    return float(one @ other)


def unit(values: Floats) -> Floats:
    """Brought to length 1 along the last axis."""
    return np.asarray(
        values / np.maximum(np.linalg.norm(values, axis=-1, keepdims=True), 1e-9), np.float32
    )


def _turned(weights: Floats) -> Floats:
    return np.ascontiguousarray(weights.T)


def stored_weights(name: str) -> dict[str, Floats]:
    """The arrays of one file beside this one, by torch's names for them."""
    with as_file(files("listener.team.speaker_encoder") / name) as path, np.load(path) as stored:
        return {each: stored[each].astype(np.float32) for each in stored.files}
