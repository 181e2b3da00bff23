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
GATES: Final = 4
_ORDER: Final = [0, 1, 3, 2]
"""Input, forget and output gate, and the cell's candidate: torch has the candidate before the output
(torch.nn.LSTM)."""
_SCALES: Final = np.array([0.5, 0.5, 0.5, 1.0], np.float32)
"""Of the weights of each, since a sigmoid is half of 1 and a tanh of half the value."""
WINDOW: Final = 160
"""Frames of 10 ms that make one print; of longer speech the mean of windows is taken."""
STEP: Final = 53
"""Frames from one window to the next, at least."""
MOST: Final = 4
"""Windows of one sound, spread evenly over longer ones: who spoke is to be known at once."""
COARSE: Final = 10
"""A shorter window is cut to a multiple of this, so that many are alike."""
AT_ONCE: Final = 4
"""Windows in one product: numpy's quickest way with so small ones, which needs no thread beside."""
LEAST: Final = 40
"""Frames of voice below which there is no print: 0.4 s hold no word."""


class SpeakerEncoder:
    """The published encoder, and beside it the same trained further on voices over radios and masks: a
    print holds both. May be used from several threads."""

    def __init__(self) -> None:
        self._networks = _Networks([stored_weights(name) for name in WEIGHTS])

    def print_of(self, samples: Samples) -> Voiceprint | None:
        """Return the voiceprint of one channel's sound, shape (n,), 16 kHz; None where too
        little is voice.
        """
        return self.prints_of([samples])[0]

    def prints_of(self, sounds: Sequence[Samples]) -> list[Voiceprint | None]:
        """Return the prints of many sounds: together they cost less than one after the other."""
        windows: dict[int, list[tuple[int, Floats]]] = {}
        for number, sound in enumerate(sounds):
            for window in _windows(mel_frames(voiced(sound))):
                windows.setdefault(len(window), []).append((number, window))
        found: list[list[Floats]] = [[] for _ in sounds]
        for alike in windows.values():
            for first in range(0, len(alike), AT_ONCE):
                some = alike[first : first + AT_ONCE]
                stacked = np.stack([window for _, window in some])
                prints = self._networks.prints(stacked).transpose(1, 0, 2)
                for (number, _), one in zip(some, prints, strict=True):
                    found[number].append(one)
        return [unit(unit(np.mean(each, axis=0)).ravel()) if each else None for each in found]


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


class _Networks:
    """The sets of weights side by side, 11.4 MB in memory, so that a step of all is one call."""

    def __init__(self, sets: Sequence[dict[str, Floats]]) -> None:
        def of(name: str) -> Floats:
            return np.stack([stored[name] for stored in sets])

        def by_gate(weights: Floats) -> Floats:
            gates = weights.reshape(len(sets), GATES, SIZE, -1)[:, _ORDER]
            return np.asarray(gates * _SCALES[:, np.newaxis, np.newaxis], np.float32)

        layers = range(LAYERS)
        # What a layer gives is twice its values, so what takes them is halved.
        halves = [np.float32(0.5 if at else 1.0) for at in layers]
        given = [by_gate(of(f"lstm.weight_ih_l{at}")) * halves[at] for at in layers]
        back = [by_gate(of(f"lstm.weight_hh_l{at}")) * np.float32(0.5) for at in layers]
        self._input = [_turned(each)[:, np.newaxis] for each in given]
        self._recurrent = [_turned(each) for each in back]
        self._bias = [
            by_gate(of(f"lstm.bias_ih_l{at}") + of(f"lstm.bias_hh_l{at}")).reshape(
                len(sets), 1, GATES, 1, SIZE
            )
            for at in layers
        ]
        self._linear = _turned(of("linear.weight")) * np.float32(0.5)
        self._offset = of("linear.bias")[:, np.newaxis]

    def prints(self, windows: Floats) -> Floats:
        """Of windows alike in length, shape (n, frames, 40): their prints, shape (sets, n, 256)."""
        count, frames, bands = windows.shape
        rows = count + (count > 1 and count % 2)  # three at once take longer than four
        sets = len(self._offset)
        # A layer's values, by frame and then by window: shape (sets or 1, frames, n, values).
        values = np.zeros((1, frames, rows, bands), np.float32)
        values[0, :, :count] = windows.transpose(1, 0, 2)
        gates = np.empty((sets, GATES, rows, SIZE), np.float32)
        sigmoids, candidate = gates[:, :3], gates[:, 3]
        enters, stays, leaves = sigmoids[:, 0], sigmoids[:, 1], sigmoids[:, 2]
        bent = np.empty((sets, rows, SIZE), np.float32)
        for into, back, bias in zip(self._input, self._recurrent, self._bias, strict=True):
            # All frames' share of the input at once: only what comes back has to wait its turn.
            given = values[:, :, np.newaxis] @ into + bias
            values = np.empty((sets, frames, rows, SIZE), np.float32)
            hidden = np.zeros((sets, rows, SIZE), np.float32)
            cell = np.zeros((sets, rows, SIZE), np.float32)
            for at in range(frames):
                # By gate, a product is small enough for the quickest way there is for so few windows. A
                # sigmoid is half of 1 and a tanh of half the value: the halves are in the weights.
                np.matmul(hidden[:, np.newaxis], back, out=gates)
                gates += given[:, at]
                np.tanh(gates, out=gates)
                sigmoids += 1.0
                cell *= stays
                candidate *= enters
                cell += candidate
                cell *= 0.5
                np.tanh(cell, out=bent)
                hidden = np.multiply(leaves, bent, out=values[:, at])
        return unit(np.maximum(values[:, -1, :count] @ self._linear + self._offset, 0.0))


def similarity(one: Voiceprint, other: Voiceprint) -> float:
    """Return the cosine of two prints, 0 to 1."""
    return float(one @ other)


def unit(values: Floats) -> Floats:
    """Brought to length 1 along the last axis."""
    return np.asarray(
        values / np.maximum(np.linalg.norm(values, axis=-1, keepdims=True), 1e-9), np.float32
    )


def _turned(weights: Floats) -> Floats:
    return np.ascontiguousarray(np.swapaxes(weights, -1, -2))


def stored_weights(name: str) -> dict[str, Floats]:
    """Return the arrays of one file beside this one, by torch's names for them."""
    with as_file(files("listener.team.speaker_encoder") / name) as path, np.load(path) as stored:
        return {each: stored[each].astype(np.float32) for each in stored.files}
