"""What every recogniser is to the rest of the house: audio in, timed words out."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from grammar.facts import Word

SAMPLE_RATE = 16_000
"""Samples a second, mono, signed 16 bit: what both engines take."""

Samples = NDArray[np.int16]


class Hearing(Protocol):
    """One speech segment on its way through an engine. Word times are seconds from its first sample."""

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        ...

    def partial(self) -> str:
        """The words so far, as they may still change; "" before the first."""
        ...

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words, `[unk]` for speech outside the grammar. Call once."""
        ...


class Recogniser(Protocol):
    """A loaded engine with a grammar. Cheap to `open`, costly to make."""

    name: str
    """Engine and model in words, as the dashboard shows it."""

    def open(self) -> Hearing:
        """Begin a speech segment."""
        ...
