"""The interface of every recogniser: it takes sound and gives timed words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from grammar.language.words import Word
from listener.audio.samples import Samples
from listener.recognition.calibration import Calibration
from listener.recognition.n_best import Alternative


class HearingFailed(Exception):
    """A segment could not be heard; said in a clause."""


class Hearing(Protocol):
    """One speech segment on its way through an engine.

    Word times are seconds from its first sample.
    """

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        ...

    def partial(self) -> str:
        """Return the words so far, as they may still change; "" before the first."""
        ...

    @property
    def alternatives(self) -> Sequence[Alternative]:
        """After `finish`: the sentences that were possible, best first; none where it cannot say."""
        ...

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words, `[unk]` for speech outside the grammar. Call once.

        Raises Unheard where the engine failed at it.
        """
        ...


class Recogniser(Protocol):
    """A loaded engine with a grammar. Cheap to `open`, costly to make."""

    name: str
    """Engine and model in words, as the dashboard shows it."""
    calibration: Calibration | None
    """How its evidence is weighed; None where nobody knows what its scores are worth."""

    def open(self) -> Hearing:
        """Begin a speech segment."""
        ...


def heard_words(recogniser: Recogniser, samples: Samples) -> list[str]:
    """Return the words of a whole sound, shape (n,), heard as one segment."""
    hearing = recogniser.open()
    hearing.accept(samples)
    return [word.text for word in hearing.finish()]
