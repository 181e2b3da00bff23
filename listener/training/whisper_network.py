"""Whisper in PyTorch with a small addition to each weight matrix: the part that learns.

The network is that of A. Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision"
(2022), with the weights of a CTranslate2 `model.bin`, which stay as they are. To each weight matrix is
added the product of a tall and a wide one, of `RANK` columns and rows (E. Hu et al., "LoRA: Low-Rank
Adaptation of Large Language Models", 2021). The names are those of the model file, so that what was learned
can be added there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import torch
from torch import nn
from torch.nn import functional

from listener.recognition.sure_ear import HEAD_SIZE
from listener.recognition.weight_additions import Additions
from listener.recognition.whisper_files import Tensors, read_tensors

Tensor = torch.Tensor
RANK: Final = 16


class Added(nn.Module):
    """A linear layer whose weight, shape (out, in), is held, with the addition that learns."""

    def __init__(self, weight: Tensor, bias: Tensor, rank: int) -> None:
        super().__init__()
        self.register_buffer("weight", weight)
        self.register_buffer("bias", bias)
        wide, tall = weight.shape[1], weight.shape[0]
        self.down = nn.Parameter(torch.randn(rank, wide) / math.sqrt(wide))
        self.up = nn.Parameter(torch.zeros(tall, rank))

    def forward(self, x: Tensor) -> Tensor:
        held = functional.linear(x, self.get_buffer("weight"), self.get_buffer("bias"))
        return held + functional.linear(functional.linear(x, self.down), self.up)


class _Norm(nn.Module):
    def __init__(self, found: Mapping[str, Tensor], at: str) -> None:
        super().__init__()
        self.register_buffer("gamma", found[f"{at}/gamma"])
        self.register_buffer("beta", found[f"{at}/beta"])

    def forward(self, x: Tensor) -> Tensor:
        gamma, beta = self.get_buffer("gamma"), self.get_buffer("beta")
        return functional.layer_norm(x, gamma.shape, gamma, beta)


class _Attention(nn.Module):
    """Attention of one sequence to itself or, where `across`, to another."""

    def __init__(self, found: Mapping[str, Tensor], at: str, rank: int, *, across: bool) -> None:
        super().__init__()
        self.norm = _Norm(found, f"{at}/layer_norm")
        count = 3 if across else 2
        self.linear = nn.ModuleList(_linear(found, f"{at}/linear_{n}", rank) for n in range(count))
        self.across = across

    def forward(self, x: Tensor, to: Tensor | None, *, causal: bool) -> Tensor:
        asked = self.linear[0](self.norm(x))
        if self.across:
            query = asked
            keys, values = self.linear[1](to).chunk(2, -1)
        else:
            query, keys, values = asked.chunk(3, -1)
        seen = functional.scaled_dot_product_attention(
            _by_head(query), _by_head(keys), _by_head(values), is_causal=causal
        )
        joined: Tensor = self.linear[-1](seen.transpose(1, 2).flatten(2))
        return x + joined


class _Layer(nn.Module):
    def __init__(self, found: Mapping[str, Tensor], at: str, rank: int, *, across: bool) -> None:
        super().__init__()
        self.own = _Attention(found, f"{at}/self_attention", rank, across=False)
        self.other = _Attention(found, f"{at}/attention", rank, across=True) if across else None
        self.norm = _Norm(found, f"{at}/ffn/layer_norm")
        self.wide = _linear(found, f"{at}/ffn/linear_0", rank)
        self.narrow = _linear(found, f"{at}/ffn/linear_1", rank)

    def forward(self, x: Tensor, to: Tensor | None) -> Tensor:
        x = self.own(x, None, causal=self.other is not None)
        if self.other is not None:
            x = self.other(x, to, causal=False)
        wide = functional.gelu(self.wide(self.norm(x)))
        made: Tensor = x + self.narrow(wide)
        return made


class WhisperNetwork(nn.Module):
    """The whole of Whisper; only the additions are parameters."""

    def __init__(self, tensors: Tensors, rank: int = RANK) -> None:
        super().__init__()
        found = {
            name: torch.from_numpy(np.array(each, np.float32)) for name, each in tensors.items()
        }
        for name in (
            "encoder/conv1/weight", "encoder/conv1/bias", "encoder/conv2/weight",
            "encoder/conv2/bias", "encoder/position_encodings/encodings",
            "decoder/position_encodings/encodings", "decoder/embeddings/weight",
        ):  # fmt: skip
            self.register_buffer(_held(name), found[name])
        self.encoder = nn.ModuleList(_layers(found, "encoder", rank, across=False))
        self.decoder = nn.ModuleList(_layers(found, "decoder", rank, across=True))
        self.encoder_norm = _Norm(found, "encoder/layer_norm")
        self.decoder_norm = _Norm(found, "decoder/layer_norm")

    @classmethod
    def of(cls, model_bin: Path, rank: int = RANK) -> WhisperNetwork:
        """Read the weights of a model file. Raises UserError where it is of another layout."""
        return cls(read_tensors(model_bin, ""), rank)

    def encoded(self, mel: Tensor) -> Tensor:
        """Return (batch, frames / 2, width) for log-mel features (batch, 80, frames)."""
        x = functional.gelu(self._convolved(mel, 1, 1))
        x = functional.gelu(self._convolved(x, 2, 2)).transpose(1, 2)
        x = x + self.get_buffer(_held("encoder/position_encodings/encodings"))[: x.shape[1]]
        for layer in self.encoder:
            x = layer(x, None)
        normed: Tensor = self.encoder_norm(x)
        return normed

    def _convolved(self, x: Tensor, number: int, stride: int) -> Tensor:
        weight = self.get_buffer(_held(f"encoder/conv{number}/weight"))
        bias = self.get_buffer(_held(f"encoder/conv{number}/bias"))
        return functional.conv1d(x, weight.to(x.dtype), bias.to(x.dtype), stride, 1)

    def scores(self, tokens: Tensor, encoded: Tensor) -> Tensor:
        """Return the scores (batch, length, vocabulary) of each token to come after `tokens`."""
        embeddings = self.get_buffer(_held("decoder/embeddings/weight"))
        positions = self.get_buffer(_held("decoder/position_encodings/encodings"))
        x = functional.embedding(tokens, embeddings) + positions[: tokens.shape[1]]
        for layer in self.decoder:
            x = layer(x, encoded)
        return functional.linear(self.decoder_norm(x), embeddings)

    def add(self, additions: Additions) -> None:
        """Take what was learned before for the additions. Raises KeyError where a part is missing."""
        for name, one in self._learning():
            up, down = additions.pairs[name]
            one.up.data = torch.from_numpy(up.astype(np.float32))
            one.down.data = torch.from_numpy(down.astype(np.float32))

    def additions(self, kept: float = 1.0) -> dict[str, npt.NDArray[np.float16]]:
        """Return what was learned, by the names of the model file: NAME/up and NAME/down.

        Only the share `kept` of it: a part way from one network to another, most of what each can do is
        kept (M. Wortsman et al., "Robust fine-tuning of zero-shot models", 2022).
        """
        found: dict[str, npt.NDArray[np.float16]] = {}
        for name, one in self._learning():
            found[f"{name}/up"] = _small(one.up * kept)
            found[f"{name}/down"] = _small(one.down)
        return found

    def _learning(self) -> Iterator[tuple[str, Added]]:
        """Yield each layer that learns, by the name of its weight in the model file."""
        for part in ("encoder", "decoder"):
            for number, layer in enumerate(getattr(self, part)):
                yield from _named(layer, f"{part}/layer_{number}")


def _small(part: Tensor) -> npt.NDArray[np.float16]:
    return np.asarray(part.detach().float().cpu().numpy(), np.float16)


def _named(layer: nn.Module, at: str) -> list[tuple[str, Added]]:
    """Return the layers within a layer that learn, by the name of their weight in the model file."""
    own, other, wide, narrow = (getattr(layer, name) for name in ("own", "other", "wide", "narrow"))
    found = [(f"{at}/self_attention/linear_{n}/weight", one) for n, one in enumerate(own.linear)]
    if other is not None:
        found += [(f"{at}/attention/linear_{n}/weight", one) for n, one in enumerate(other.linear)]
    return [*found, (f"{at}/ffn/linear_0/weight", wide), (f"{at}/ffn/linear_1/weight", narrow)]


def _layers(found: Mapping[str, Tensor], part: str, rank: int, *, across: bool) -> list[_Layer]:
    count = sum(
        name.startswith(f"{part}/") and name.endswith("/ffn/linear_0/bias") for name in found
    )
    return [_Layer(found, f"{part}/layer_{n}", rank, across=across) for n in range(count)]


def _linear(found: Mapping[str, Tensor], at: str, rank: int) -> Added:
    return Added(found[f"{at}/weight"], found[f"{at}/bias"], rank)


def _by_head(x: Tensor) -> Tensor:
    return x.view(*x.shape[:2], -1, HEAD_SIZE).transpose(1, 2)


def _held(name: str) -> str:
    return name.replace("/", "_")
