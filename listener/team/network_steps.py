"""A few further training steps of the quick ear's network on sentences of known words, by numpy alone.

The network is the one of `listener/training/network.py`, its normalisations folded in: affine layers over
neighbouring frames, two at 100 frames a second and the others, in blocks of a narrow one and a wide one
around it, at a third of that. The loss is that of `listener/training/train.py`, the negated logarithm of
all paths on which each phone is emitted in exactly one frame; its slope is the share of paths that pass
(A. Graves et al., "Connectionist temporal classification", ICML 2006). Steps are Adam's (D. Kingma and
J. Ba, ICLR 2015), and a pull holds every weight near to where it began. So that few sentences teach no
overconfidence, the network is held in part to its old outputs as well (D. Yu et al., "KL-divergence
regularized deep neural network adaptation", ICASSP 2013): without, a decoder that may hear other speech
took nearly all for that. And so that it grows surer of what was said than of any phones that come near,
which the decoder takes for other speech, the slope weighs other outputs more sharply than the loss does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from listener.recognition.kaldi_files import SUBSAMPLING
from listener.recognition.network_file import Affine, affines_of, with_affines
from listener.recognition.phones import BLANK_PDF
from listener.team.voice_frames import Floats

_AT_ONCE: Final = 5
"""Sentences of a step."""
_LEAST_PHONES: Final = 10
"""Shorter sentences count as one of so many phones."""
_DECAYS: Final = (0.9, 0.999)
_HIDDEN_FRAMES, _HIDDEN_BINS = 25, 8
_NEVER: Final = -1e30


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence: features (frames, 40), and its phones as numbers of the network's outputs."""

    features: Floats
    phones: tuple[int, ...]

    @property
    def outputs(self) -> int:
        """How many outputs the network gives for it."""
        return -(-len(self.features) // SUBSAMPLING)


@dataclass(frozen=True, slots=True)
class Steps:
    """Limits of how far fitting may move the network."""

    rate: float = 3e-5
    pull: float = 0.1
    """How strongly each weight is held near to where it began."""
    epochs: int = 4
    trust: float = 0.3
    """How far the network is held to what it heard before, 0 to 1: the share of its old outputs in what it
    is taught."""
    hidden: int = 2
    """Stretches of time, and of frequency, that are hidden in each sentence."""
    sharpness: float = 1.5
    """The power to which its outputs are raised where they are held against what was said; 1 in the
    recipe. Above, the likeliest wrong phones give way first, and the network does not grow surer than
    it was. Chosen on the cards of four teams, a third kept aside (`README.md`)."""


@dataclass(slots=True)
class _Layer:
    """One affine layer: `kernel` neighbouring inputs side by side, each `stride`-th place."""

    weights: Floats
    bias: Floats
    kernel: int
    stride: int = 1
    rectified: bool = False
    added: bool = False
    """Whether the input of its block is added before the rectifier."""


class _Adam:
    """Adam's steps for arrays, which it changes in place."""

    def __init__(self, values: Sequence[Floats], rate: float) -> None:
        self._values, self._rate, self._steps = values, rate, 0
        self._means = [np.zeros_like(each) for each in values]
        self._squares = [np.zeros_like(each) for each in values]

    def step(self, slopes: Sequence[Floats]) -> None:
        self._steps += 1
        fades = [1 - decay**self._steps for decay in _DECAYS]
        for at, slope in enumerate(slopes):
            mean, square = self._means[at], self._squares[at]
            mean += np.float32(1 - _DECAYS[0]) * (slope - mean)
            square += np.float32(1 - _DECAYS[1]) * (slope**2 - square)
            rate = np.float32(self._rate / fades[0])
            self._values[at] -= rate * mean / (np.sqrt(square / np.float32(fades[1])) + 1e-8)


class TeamNetwork:
    """The network of a `final.mdl`, to take steps with."""

    def __init__(self, data: bytes) -> None:
        """Raise ValueError where `data` is no network of ours."""
        self._data = data
        self._affines = affines_of(data)
        self._layers = _layers(self._affines)
        self._blocks = sum(layer.added for layer in self._layers)
        self._context = 2 + 1 + SUBSAMPLING * self._blocks

    def bytes(self) -> bytes:
        """Return it as a `final.mdl`."""
        pairs = zip(self._affines, self._layers, strict=True)
        return with_affines(self._data, {name: (one.weights, one.bias) for name, one in pairs})

    def outputs(self, said: Sequence[Said]) -> list[Floats]:
        """Return the log-probabilities of each sentence, (outputs, 41)."""
        out, places = self._forward(said, [])
        return [out[at : at + one.outputs] for one, at in zip(said, places, strict=True)]

    def take(self, said: Sequence[Said], how: Steps, told: Callable[[float], None]) -> None:
        """Take steps towards what was said. `told` is given the share that is done, 0 to 1. Sentences of
        more phones than outputs are left out."""
        said = [one for one in said if one.outputs > len(one.phones) > 0]
        values = [array for one in self._layers for array in (one.weights, one.bias)]
        began = [each.copy() for each in values]
        adam = _Adam(values, how.rate)
        chance = np.random.default_rng(1)
        usual = [np.exp(out) for out in self.outputs(said)] if how.trust else []
        step, total = 0, how.epochs * -(-len(said) // _AT_ONCE)
        for _ in range(how.epochs):
            order = chance.permutation(len(said))
            for at in range(0, len(said), _AT_ONCE):
                some = order[at : at + _AT_ONCE]
                heard = [_hidden(said[each], how.hidden, chance) for each in some]
                before = [usual[each] for each in some] if usual else ()
                slopes = self.slopes(heard, before, how.trust, how.sharpness)
                step += 1
                pulls = [
                    2 * how.pull * (each - start) for each, start in zip(values, began, strict=True)
                ]
                adam.step([slope + pull for slope, pull in zip(slopes, pulls, strict=True)])
                told(step / total)

    def slopes(
        self,
        said: Sequence[Said],
        usual: Sequence[Floats] = (),
        trust: float = 0.0,
        sharpness: float = 1.0,
    ) -> list[Floats]:
        """Return the slope of the mean loss by each layer's weights and bias. `usual` are the shares
        (outputs, 41) that each sentence had before, held to by `trust`; `sharpness` as in `Steps`."""
        kept: list[tuple[Floats, Floats]] = []
        out, places = self._forward(said, kept)
        slope = np.zeros_like(out)
        for number, (one, at) in enumerate(zip(said, places, strict=True)):
            guess = out[at : at + one.outputs]
            _, shares = paths(guess, one.phones)
            if usual:
                shares += np.float32(trust) * (usual[number] - shares)
            weight = 1 / max(len(one.phones), _LEAST_PHONES) / len(said)
            slope[at : at + one.outputs] = weight * (_sharpened(guess, sharpness) - shares)
        return self._back(slope, kept)

    def _forward(
        self, said: Sequence[Said], kept: list[tuple[Floats, Floats]]
    ) -> tuple[Floats, list[int]]:
        """Return the outputs of sentences one after the other, and where each begins. `kept` is given each
        layer's inputs, side by side, and what it gave."""
        parts, places, at = [], [], 0
        for one in said:
            before, after = self._context, self._context + SUBSAMPLING - 1
            after += -(len(one.features) + before + after) % SUBSAMPLING
            parts.append(np.pad(one.features, ((before, after), (0, 0)), mode="edge"))
            places.append(at // SUBSAMPLING)
            at += len(parts[-1])
        x = np.concatenate(parts)
        around = x
        for layer in self._layers:
            side_by_side = _spliced(x, layer)
            if layer.kernel > 1 and not layer.added:
                around = x  # the input of a block, where this is the first of its layers
            out = side_by_side @ layer.weights.T + layer.bias
            if layer.added:
                out += around[1:-1]
            if layer.rectified:
                np.maximum(out, 0, out=out)
            kept.append((side_by_side, out))
            x = out
        most = x.max(axis=1, keepdims=True)
        x = x - most - np.log(np.exp(x - most).sum(axis=1, keepdims=True))
        return x, places

    def _back(self, slope: Floats, kept: Sequence[tuple[Floats, Floats]]) -> list[Floats]:
        found: list[Floats] = []
        beside: Floats | None = None
        """The slope that goes around the layers of a block."""
        lengths = [len(out) for _, out in kept[-2::-1]] + [0]
        for layer, (inputs, out), length in zip(
            self._layers[::-1], kept[::-1], lengths, strict=True
        ):
            if layer.rectified:
                slope = slope * (out > 0)
            found += [slope.sum(axis=0), slope.T @ inputs]
            if layer.added:
                beside = slope
            if not length:  # the sound itself needs no slope
                break
            joined = slope @ layer.weights
            width = joined.shape[1] // layer.kernel
            back = np.zeros((length, width), np.float32)
            last = length - layer.kernel + 1
            for offset in range(layer.kernel):
                part = joined[:, offset * width : (offset + 1) * width]
                back[offset : offset + last : layer.stride] += part
            if beside is not None and back.shape[1] == beside.shape[1]:
                back[1:-1] += beside
                beside = None
            slope = back
        return found[::-1]


def _sharpened(guess: Floats, power: float) -> Floats:
    """Return the shares of log-probabilities (n, 41) raised to a power."""
    raised = np.exp(power * (guess - guess.max(axis=1, keepdims=True)))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True), np.float32)


def _hidden(said: Said, count: int, chance: np.random.Generator) -> Said:
    """Return a sentence with stretches of time and of frequency hidden behind its mean (D. Park et al.,
    "SpecAugment", Interspeech 2019)."""
    if not count:
        return said
    features = said.features.copy()
    mean = features.mean()
    for _ in range(count):
        for axis, longest in ((features, _HIDDEN_FRAMES), (features.T, _HIDDEN_BINS)):
            length = int(chance.integers(0, longest + 1))
            at = int(chance.integers(0, max(1, len(axis) - length)))
            axis[at : at + length] = mean
    return replace(said, features=features)


def paths(guess: Floats, phones: Sequence[int]) -> tuple[float, Floats]:
    """Return the negated logarithm of all paths, nats, and the share of them that pass each output.

    `guess` (outputs, 41) are log-probabilities; a path emits each of `phones` in one output, in their
    order, and blank in all others. Shares have the shape of `guess`; with no path the loss is infinite
    and they are zeros.
    """
    count, labels = len(phones), np.asarray(phones, np.int64)
    blank = guess[:, BLANK_PDF].astype(np.float64)
    emitted = guess[:, labels].astype(np.float64)
    forth = np.full((len(guess) + 1, count + 1), _NEVER)
    back = forth.copy()
    forth[0, 0] = back[-1, -1] = 0.0
    for at in range(len(guess)):
        forth[at + 1] = forth[at] + blank[at]
        forth[at + 1, 1:] = np.logaddexp(forth[at + 1, 1:], forth[at, :-1] + emitted[at])
    for at in range(len(guess) - 1, -1, -1):
        back[at] = back[at + 1] + blank[at]
        back[at, :-1] = np.logaddexp(back[at, :-1], back[at + 1, 1:] + emitted[at])
    whole = forth[-1, -1]
    shares = np.zeros_like(guess)
    if whole <= _NEVER / 2:
        return float("inf"), shares
    stays = np.exp(forth[:-1] + blank[:, None] + back[1:] - whole).sum(axis=1)
    goes = np.exp(forth[:-1, :-1] + emitted + back[1:, 1:] - whole)
    shares[:, BLANK_PDF] = stays
    for column, label in enumerate(labels):
        shares[:, label] += goes[:, column]
    return float(-whole), shares


def _spliced(x: Floats, layer: _Layer) -> Floats:
    last = len(x) - layer.kernel + 1
    if layer.kernel == 1:
        return x
    places = [x[at : at + last : layer.stride] for at in range(layer.kernel)]
    return np.concatenate(places, axis=1)


def _layers(affines: dict[str, Affine]) -> list[_Layer]:
    names = list(affines)
    if names[:2] != ["first", "second"] or names[-1:] != ["last"]:
        raise ValueError("The file holds no network of ours.")
    found: list[_Layer] = []
    for name, (weights, bias) in affines.items():
        inputs = len(found[-1].bias) if found else 40
        kernel = weights.shape[1] // inputs
        whole = name.startswith("wide")
        found.append(
            _Layer(
                weights,
                bias,
                kernel,
                SUBSAMPLING if name == "second" else 1,
                rectified=whole or name in ("first", "second"),
                added=whole,
            )
        )
    return found
