"""Additions to Whisper's weights, learned from our sentences, and put there as the weights are read.

For each weight matrix the file holds a tall and a wide one, whose product is added (E. Hu et al., "LoRA:
Low-Rank Adaptation of Large Language Models", 2021): a few megabytes beside Whisper's own, which stay byte
for byte as published. `listener/training/whisper_adapter.py` made them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

LEARNED: Final[Mapping[tuple[str, str], Path]] = MappingProxyType(
    {("base", "en"): Path(__file__).with_name("sure-ear-base-en.npz")}
)
"""The file for a size of Whisper and a language, where there is one."""


@dataclass(frozen=True, slots=True)
class Additions:
    """Pairs of matrices by the name of the weight in the model's file: shapes (out, rank), (rank, in)."""

    pairs: Mapping[str, tuple[NDArray[Any], NDArray[Any]]]

    def to(self, name: str, weight: NDArray[Any]) -> NDArray[Any]:
        """Return a weight, shape (out, in), with what is added to it; the same where nothing is.

        Raises ValueError where what was learned is of another shape.
        """
        pair = self.pairs.get(name)
        if pair is None:
            return weight
        up, down = (part.astype(np.float32) for part in pair)
        added = up @ down
        if added.shape != weight.shape:
            raise ValueError(f"{name}: {added.shape} cannot be added to {weight.shape}")
        return np.asarray(weight.astype(np.float32) + added)

    def __contains__(self, name: str) -> bool:
        return name in self.pairs

    def among(self, weights: Mapping[str, NDArray[Any]], begins: str) -> Mapping[str, NDArray[Any]]:
        """Return weights, whose names lack their beginning, with what is added, worked out one at a time as
        each is asked for: all of them at once would take twice the memory of the network.
        """
        return _Among(weights, begins, self)


@dataclass(frozen=True, slots=True)
class _Among(Mapping[str, NDArray[Any]]):
    weights: Mapping[str, NDArray[Any]]
    begins: str
    additions: Additions

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.additions.to(self.begins + name, self.weights[name])

    def __iter__(self) -> Iterator[str]:
        return iter(self.weights)

    def __len__(self) -> int:
        return len(self.weights)


def read_additions(size: str, language: str) -> Additions | None:
    """Return what a size of Whisper learned of our sentences in a language; None where it learned none."""
    path = LEARNED.get((size, language))
    return additions_in(path) if path else None


def additions_in(path: Path) -> Additions:
    """Return the additions of a file that `listener/training/whisper_adapter.py` wrote."""
    with np.load(path) as found:
        names = {name.removesuffix("/up") for name in found.files if name.endswith("/up")}
        return Additions({name: (found[f"{name}/up"], found[f"{name}/down"]) for name in names})
