"""Whisper's decoder in numpy, many sentences at a time, each taking up where another one left.

A search that is held to a grammar has to choose each next token itself, with the work of the tokens
before kept. CTranslate2 does not offer that: it runs whole sentences (`align`) or its own search
(`generate`). So it encodes the sound, and the decoder's weights are run here. The network is that of
A. Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from listener.recognition.helping_thread import HelpingThread
from listener.recognition.panelled_matrix import Array, Panelled
from listener.recognition.weight_additions import Additions
from listener.recognition.whisper_files import Tensors, read_tensors

KeysAndValues = tuple[Array, Array]

_SQRT_HALF = np.float32(0.5**0.5)
_TINY = np.float32(1e-5)
_NEAR, _FIRST = np.float32(0.3275911), np.float32(1.061405429)
_OTHERS = [np.float32(one) for one in (-1.453152027, 1.421413741, -0.284496736, 0.254829592)]


class _Linear:
    def __init__(self, weight: Array, bias: Array) -> None:
        self._weight = Panelled(weight)
        self._bias = bias

    def share(self, helper: HelpingThread) -> None:
        self._weight.helper = helper

    def __call__(self, x: Array) -> Array:
        found = self._weight.times(x)
        found += self._bias
        return found


@dataclass(frozen=True, slots=True)
class _Norm:
    gamma: Array
    beta: Array

    def __call__(self, x: Array) -> Array:
        found = x - x.mean(-1, keepdims=True)
        spread = np.einsum("ij,ij->i", found, found) / np.float32(x.shape[1]) + _TINY
        found /= np.sqrt(spread)[:, None]
        found *= self.gamma
        found += self.beta
        return np.asarray(found)


@dataclass(frozen=True, slots=True)
class _Layer:
    self_norm: _Norm
    self_in: _Linear
    self_out: _Linear
    cross_norm: _Norm
    cross_query: _Linear
    cross_keys: _Linear
    cross_out: _Linear
    wide_norm: _Norm
    wide_in: _Linear
    wide_out: _Linear


@dataclass(frozen=True, slots=True)
class Sound:
    """One encoded sound as each layer attends to it: keys (heads, size, frames), values transposed."""

    layers: tuple[KeysAndValues, ...]


@dataclass(frozen=True, slots=True)
class Begun:
    """The tokens that all sentences begin with, run once; keys (heads, size, tokens) by layer."""

    layers: tuple[KeysAndValues, ...]
    length: int
    first: Array
    last: Array
    """The states after the first and the last of them, shape (1, width)."""


class Branches:
    """Sentences that grow by a token at a time; row i of each step is one sentence."""

    def __init__(self, layers: int) -> None:
        self.keys: list[Array | None] = [None] * layers
        self.values: list[Array | None] = [None] * layers
        self.length = 0

    def follow(self, rows: Sequence[int]) -> None:
        """Go on with these rows, in this order; a row may be taken several times or dropped."""
        if self.length:
            chosen = np.asarray(rows)
            self.keys = [None if k is None else k[chosen] for k in self.keys]
            self.values = [None if v is None else v[chosen] for v in self.values]

    def grown(self, layer: int, keys: Array, values: Array) -> KeysAndValues:
        """Return the layer's keys and values with those of one more token, shape (rows, heads, tokens,
        size).
        """
        before, behind = self.keys[layer], self.values[layer]
        if before is not None and behind is not None:
            keys = np.concatenate([before, keys], 2)
            values = np.concatenate([behind, values], 2)
        self.keys[layer], self.values[layer] = keys, values
        return keys, values


class WhisperDecoder:
    """The decoder's weights, in memory as 32-bit numbers."""

    def __init__(self, model_bin: Path, heads: int, additions: Additions | None = None) -> None:
        """`additions` are added to the weights. Raises UserError where the file is no Whisper model of
        CTranslate2's layout."""
        found = read_tensors(model_bin, "decoder/")
        if additions:
            found = additions.among(found, "decoder/")
        embeddings = found["embeddings/weight"]
        self._embeddings = Panelled(embeddings.T)
        """One column a token."""
        self._positions = _plain(found, "position_encodings/encodings")
        self._helper: HelpingThread | None = None
        self._last_norm = _norm(found, "layer_norm")
        self._width = embeddings.shape[1]
        self._heads, self._size = heads, self._width // heads
        self._scale = np.float32(self._size**-0.5)
        count = sum(name.endswith("/ffn/linear_0/bias") for name in found)
        self._layers = tuple(_layer(found, f"layer_{number}/") for number in range(count))

    def share(self, helper: HelpingThread) -> None:
        """Have another thread do half of the larger work from here on."""
        self._helper = helper
        self._embeddings.helper = helper
        for layer in self._layers:
            for linear in (layer.self_in, layer.cross_keys, layer.wide_in, layer.wide_out):
                linear.share(helper)

    @property
    def longest(self) -> int:
        """Return the most tokens that a sentence may have, those it begins with included."""
        return len(self._positions)

    def attended(self, encoded: Array) -> Sound:
        """Return a sound from its encoding, shape (frames, width)."""
        layers = []
        for layer in self._layers:
            keys, values = np.split(layer.cross_keys(encoded), 2, 1)
            layers.append(
                (
                    np.ascontiguousarray(self._by_head(keys).transpose(0, 2, 1)),
                    np.ascontiguousarray(self._by_head(values)),
                )
            )
        return Sound(tuple(layers))

    def begin(self, tokens: Sequence[int], sound: Sound) -> Begun:
        """Run the tokens that every sentence begins with, and return the state after them."""
        x = self._embeddings.columns(tokens) + self._positions[: len(tokens)]
        later = np.triu(np.full((len(tokens), len(tokens)), -1e9, np.float32), 1)
        kept = []
        for layer, heard in zip(self._layers, sound.layers, strict=True):
            query, key, value = np.split(layer.self_in(layer.self_norm(x)), 3, 1)
            keys = np.ascontiguousarray(self._by_head(key).transpose(0, 2, 1))
            values = np.ascontiguousarray(self._by_head(value))
            kept.append((keys, values))
            weights = _softmax(self._by_head(query) * self._scale @ keys + later)
            x = x + layer.self_out(self._joined(weights @ values))
            x = self._beyond_self(x, layer, heard)
        return Begun(tuple(kept), len(tokens), x[:1], x[-1:])

    def step(self, tokens: Sequence[int], branches: Branches, begun: Begun, sound: Sound) -> Array:
        """Add one token to each branch; return the states after it, shape (rows, width)."""
        rows = len(tokens)
        x = self._embeddings.columns(tokens) + self._positions[begun.length + branches.length]
        for number, layer in enumerate(self._layers):
            both = layer.self_in(layer.self_norm(x)).reshape(rows, 3, self._heads, self._size)
            keys, values = branches.grown(number, both[:, 1, :, None], both[:, 2, :, None])
            asked = both[:, 0] * self._scale
            first_keys, first_values = begun.layers[number]
            first = asked.transpose(1, 0, 2) @ first_keys
            own = (keys @ asked[..., None])[..., 0].transpose(1, 0, 2)
            weights = _softmax(np.concatenate([first, own], 2))
            seen = (weights[:, :, : begun.length] @ first_values).transpose(1, 0, 2)
            own_weights = weights[:, :, begun.length :].transpose(1, 0, 2)[:, :, None, :]
            seen = seen + (own_weights @ values)[:, :, 0]
            x = x + layer.self_out(seen.reshape(rows, self._width))
            x = self._beyond_self(x, layer, sound.layers[number])
        branches.length += 1
        return np.asarray(x)

    def likely(self, x: Array, count: int | None) -> Array:
        """Return the logarithm of each token's probability after each state `x`, shape (rows, count).

        Only the first `count` tokens may come, all where it is None. The next call writes the array anew.
        """
        scores = self._embeddings.first_times(self._last_norm(x), count)
        half = len(scores) // 2
        if self._helper is None or not half:
            _to_log_shares(scores)
        else:
            self._helper.both(
                lambda: _to_log_shares(scores[:half]), lambda: _to_log_shares(scores[half:])
            )
        return scores

    def _beyond_self(self, x: Array, layer: _Layer, heard: KeysAndValues) -> Array:
        keys, values = heard
        query = self._by_head(layer.cross_query(layer.cross_norm(x))) * self._scale
        x = x + layer.cross_out(self._joined(_softmax(query @ keys) @ values))
        wide = layer.wide_in(layer.wide_norm(x))
        return x + layer.wide_out(_gelu(wide))

    def _by_head(self, x: Array) -> Array:
        return x.reshape(-1, self._heads, self._size).transpose(1, 0, 2)

    def _joined(self, x: Array) -> Array:
        return np.asarray(x.transpose(1, 0, 2).reshape(-1, self._width))


def _to_log_shares(scores: Array) -> None:
    """Make scores the logarithms of probabilities, row by row and in place: whole arrays of this size would
    not stay in the processor's cache."""
    for row in scores:
        np.subtract(row, row.max(), out=row)
        np.subtract(row, np.log(np.exp(row).sum()), out=row)


def _softmax(x: Array) -> Array:
    """The softmax of each row, in place: `x` is of nobody else."""
    x -= x.max(-1, keepdims=True)
    np.exp(x, out=x)
    x /= x.sum(-1, keepdims=True)
    return x


def _gelu(x: Array) -> Array:
    """Return `x` times the share of the normal distribution below it, to seven digits, in half of the time
    that scipy's `erf` takes.

    By M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions" (1964), formula 7.1.26.
    """
    beyond = np.abs(x)
    near = np.reciprocal(1 + (_SQRT_HALF * _NEAR) * beyond)
    share = near * _FIRST
    for number in _OTHERS:
        share += number
        share *= near
    share *= np.exp(np.float32(-0.5) * beyond * beyond)
    share *= beyond
    share *= np.float32(0.5)
    return np.asarray(np.maximum(x, 0) - share)


def _plain(found: Tensors, name: str) -> Array:
    return np.ascontiguousarray(found[name], np.float32)


def _norm(found: Tensors, name: str) -> _Norm:
    return _Norm(_plain(found, f"{name}/gamma"), _plain(found, f"{name}/beta"))


def _linear(found: Tensors, name: str) -> _Linear:
    weight = np.ascontiguousarray(_plain(found, f"{name}/weight").T)
    return _Linear(weight, _plain(found, f"{name}/bias"))


def _layer(found: Tensors, at: str) -> _Layer:
    return _Layer(
        _norm(found, f"{at}self_attention/layer_norm"),
        _linear(found, f"{at}self_attention/linear_0"),
        _linear(found, f"{at}self_attention/linear_1"),
        _norm(found, f"{at}attention/layer_norm"),
        _linear(found, f"{at}attention/linear_0"),
        _linear(found, f"{at}attention/linear_1"),
        _linear(found, f"{at}attention/linear_2"),
        _norm(found, f"{at}ffn/layer_norm"),
        _linear(found, f"{at}ffn/linear_0"),
        _linear(found, f"{at}ffn/linear_1"),
    )
