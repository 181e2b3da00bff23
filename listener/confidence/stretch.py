"""A stretch of speech that is over, with what the quick ear told of it, and parts of its sound."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from grammar.case.facts import Heard
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from listener.audio.noise_floor import FRAME
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import HANGOVER_S
from listener.confidence.judging_two_ears import QuickReading, said
from listener.recognition.sure_ear import SureHearing

AROUND_S: Final = 0.25
"""Sound before the first and after the last word that is heard too."""
NARROWER_S: Final = 0.8
"""An utterance so much shorter than its stretch of speech is heard by itself as well."""
BREATH_S: Final = 0.2
QUIETER_DB: Final = 30.0
"""A pause between two sentences of one breath, and how far it lies below the loudest frame."""


@dataclass(frozen=True, slots=True)
class Told:
    """An utterance of the quick ear, stored as fact `seq`. `cut` are the words that it heard best, timed
    from the segment's start: a guess where the fact holds none."""

    seq: int
    heard: Heard
    cut: Sequence[Word]

    @property
    def reading(self) -> QuickReading:
        """Return the words of the quick ear and how sure it is of them."""
        return QuickReading(said(word.text for word in self.cut), self._confidence)

    @property
    def is_guess(self) -> bool:
        """Return whether the fact tells of speech that was not understood."""
        return self.heard.text == UNKNOWN

    @property
    def _confidence(self) -> float:
        if self.heard.confidence is not None:
            return self.heard.confidence
        words = self.heard.words
        return sum(word.confidence for word in words) / max(len(words), 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """A stretch of speech that is over, and what the quick ear told of it."""

    began: float
    """Seconds on the case's clock."""
    channel: int
    engine: str
    """The quick ear's name."""
    told: Sequence[Told]
    sound: Samples
    """All of it, shape (n,), with the silence that ended it."""
    ahead: Ahead | None
    """The sure ear's hearing of all of it, where that was begun before."""
    pauses: Sequence[float] = ()
    """The middles of long pauses inside it, seconds from its start."""

    @property
    def pieces(self) -> list[Piece]:
        """Return the sound between the pauses, where there are any."""
        ends = [*self.pauses, self.length_s] if self.pauses else []
        return [Piece(self, begins, end) for begins, end in pairwise([0.0, *ends])]

    def beside(self, one: Told) -> list[Piece]:
        """Return the sound before and after an utterance, where it is long enough for another."""
        before = Piece(self, 0.0, one.cut[0].start)
        after = Piece(self, one.cut[-1].end, self.length_s)
        found = [(before, before.ends), (after, after.ends - after.begins - HANGOVER_S)]
        return [piece for piece, length_s in found if length_s >= NARROWER_S]

    @property
    def halves(self) -> list[Piece]:
        """Return the sound before and after the longest pause that may part two sentences; nothing where
        there is none.
        """
        pause = longest_pause(self.sound)
        if pause is None:
            return []
        return [Piece(self, 0.0, pause), Piece(self, pause, self.length_s)]

    @property
    def length_s(self) -> float:
        """Return how long it lasts, in seconds, the silence that ended it included."""
        return len(self.sound) / SAMPLE_RATE


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A part of a stretch of speech, from `begins` to `ends`, seconds from its start."""

    stretch: Stretch
    begins: float
    ends: float

    @property
    def sound(self) -> Samples:
        """Return its samples, shape (n,)."""
        return self.stretch.sound[round(self.begins * SAMPLE_RATE) : round(self.ends * SAMPLE_RATE)]

    @property
    def nothing(self) -> Heard:
        """Return a fact that says: speech, of which the quick ear understood nothing."""
        last = self.ends >= self.stretch.length_s
        length = self.ends - self.begins - (HANGOVER_S if last else AROUND_S)
        began = self.stretch.began + self.begins
        until = began + max(length, 0.1)
        return Heard(
            t=began,
            until=until,
            channel=self.stretch.channel,
            words=(Word(UNKNOWN, began, until, 0.0),),
            engine=self.stretch.engine,
        )


class Ahead:
    """A hearing by the sure ear, begun before it is wanted."""

    def __init__(self) -> None:
        self._there = threading.Event()
        self._found: SureHearing | None = None
        self.dropped = False
        """Set where the speaker went on: nobody wants it any more."""

    def set(self, found: SureHearing | None) -> None:
        """Hand over the result and wake whoever waits; None where the sure ear could not say."""
        self._found = found
        self._there.set()

    def wait(self) -> SureHearing | None:
        """Wait for the hearing to end and return its result; None where the sure ear could not say."""
        self._there.wait()
        return self._found


def longest_pause(sound: Samples) -> float | None:
    """Return the middle of the longest pause between two voices, seconds from the start; None where
    there is none of `BREATH_S`. The sound, shape (n,), ends in silence."""
    frames = sound[: len(sound) // FRAME * FRAME].reshape(-1, FRAME).astype(np.float64)
    levels = 10 * np.log10(np.mean(frames**2, axis=1) + 1.0)
    loud = np.flatnonzero(levels > levels.max() - QUIETER_DB)
    gaps = np.diff(loud)
    if not len(gaps) or gaps.max() * FRAME < BREATH_S * SAMPLE_RATE:
        return None
    at = int(gaps.argmax())
    return float((loud[at] + loud[at + 1] + 1) / 2 * FRAME / SAMPLE_RATE)


def part_of(sound: Samples, cut: Sequence[Word], before: float, after: float | None) -> Samples:
    """Return the sound of some words and a little around them, none of their neighbours'."""
    begins = max(cut[0].start - AROUND_S, (before + cut[0].start) / 2 if before else 0.0)
    ends = cut[-1].end + AROUND_S
    if after is not None:
        ends = min(ends, (cut[-1].end + after) / 2)
    return sound[round(max(begins, 0.0) * SAMPLE_RATE) : round(ends * SAMPLE_RATE)]
