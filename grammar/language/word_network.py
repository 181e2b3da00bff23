"""A word network: a small deterministic, acyclic automaton over words.

The protocol's phrases become one network (see `phrases.py`), and everything that must agree on what
can be said is written from it: the JSGF for pocketsphinx, the decoding graph for vosk, samples for tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Network:
    """States are 0 .. len(arcs) - 1; `arcs[s]` holds (word, next state) pairs, at most one a word."""

    arcs: tuple[tuple[tuple[str, int], ...], ...]
    finals: frozenset[int]
    start: int = 0

    @property
    def words(self) -> frozenset[str]:
        """Every word on an arc."""
        return frozenset(word for row in self.arcs for word, _ in row)

    def accepts(self, words: Sequence[str]) -> bool:
        """Return whether the words, in this order and complete, are one sentence of the network."""
        return self.follow(self.start, words) in self.finals

    def follow(self, state: int, words: Iterable[str]) -> int | None:
        """Return the state after `words` from `state`, or None where no arc carries a word."""
        here: int | None = state
        for word in words:
            if here is None:
                return None
            here = next((to for label, to in self.arcs[here] if label == word), None)
        return here
