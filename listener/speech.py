"""One stretch of speech, from its first sound to its last fact.

A segment ends after a silence longer than the pauses inside a call; nobody should wait so long for an
order that is complete. So at every short pause what was said is heard to its end, and what is a call by
then is told at once. Where the speaker goes on after all, the whole is heard anew, and an utterance that
turns out longer ("fifteen", and after a moment "five zero") takes the place of what was told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grammar.facts import Heard, Word
from grammar.parse import Understanding
from listener.alternatives import Alternative
from listener.doubting import Doubting
from listener.recogniser import SAMPLE_RATE, Hearing, Recogniser, Samples

PAUSE_S: Final = 0.2
"""After so long a pause what was said is heard to its end."""

_AHEAD_S: Final = 0.3
"""So far ahead the network looks. What a pause lacks of it, the pause's own sound stands for, there and
back: it is heard as though it had lasted."""

LONGEST_S: Final = 8.0
"""In speech longer than this pauses are passed over: nobody calls so long, and each costs hearing all
again."""

HOLD: Final = 0.3
"""What is less sure than this at a pause waits for the end: the beginning of a call, heard alone, may
seem to be some other."""

_BESIDE_S: Final = 0.1
"""Words heard twice end this much sooner or later, at most: less than a pause lasts."""


@dataclass(slots=True, eq=False)
class _Said:
    """An utterance; times in `cut` count from the segment's start."""

    heard: Heard
    cut: Sequence[Word]
    alternatives: Sequence[Alternative]
    sound: Samples
    stored: int | None = None
    """The number of its fact, once it has one."""

    def overlaps(self, other: _Said) -> bool:
        ends, begins = min(self.cut[-1].end, other.cut[-1].end), self.cut[0].start
        return ends - max(begins, other.cut[0].start) > _BESIDE_S

    def goes_beyond(self, other: _Said) -> bool:
        """Whether a word of it comes after all of the other."""
        return self.cut[-1].start > other.cut[-1].end - _BESIDE_S


@dataclass(slots=True, eq=False)
class Speech:
    """A speech segment on one channel that began at `began` seconds on the case's clock."""

    began: float
    channel: int
    recogniser: Recogniser
    understanding: Understanding
    doubting: Doubting
    late_s: Callable[[], float]
    at_once: bool
    """Whether to tell at a pause; else the same is told when the segment ends."""
    _pieces: list[Samples] = field(default_factory=list)
    _hearing: Hearing | None = None
    """None between a pause and the voice that goes on."""
    _told: list[_Said] = field(default_factory=list)
    _held: list[_Said] = field(default_factory=list)
    """What was heard at the last pause and waits for the end."""

    def __post_init__(self) -> None:
        self._hearing = self.recogniser.open()

    def accept(self, samples: Samples) -> None:
        """The next samples, shape (n,)."""
        self._pieces.append(samples)
        if self._hearing:
            self._hearing.accept(samples)

    def partial(self) -> str:
        """The words so far that have not been told, as they may still change."""
        return self._hearing.partial() if self._hearing else ""

    def paused(self, pause_s: float) -> None:
        """The voice has been silent for `pause_s`, 0 while it speaks. Raises Unheard."""
        if self._hearing is None:
            if pause_s < PAUSE_S:
                self._hearing = self.recogniser.open()
                for piece in self._pieces:
                    self._hearing.accept(piece)
        elif pause_s >= PAUSE_S and sum(map(len, self._pieces)) <= LONGEST_S * SAMPLE_RATE:
            sound = np.concatenate(self._pieces)
            quiet = sound[-round(_AHEAD_S / 2 * SAMPLE_RATE) :]
            ahead = np.concatenate([quiet[::-1], quiet])
            self._hearing.accept(ahead)
            self._settle(self._heard_out(self._hearing, np.append(sound, ahead)), last=False)

    def ended(self) -> None:
        """The segment is over: what is left is told. Raises Unheard."""
        found = self._held
        if self._hearing:
            found = self._heard_out(self._hearing, np.concatenate(self._pieces))
        self._settle(found, last=True)
        if not self.at_once:
            for said in self._told:
                self._store(said)

    def _heard_out(self, hearing: Hearing, sound: Samples) -> list[_Said]:
        """All of the segment so far, which is `sound`, as utterances."""
        self._hearing = None
        words = hearing.finish()
        return [
            _Said(self._fact(cut), cut, hearing.alternatives, sound)
            for cut in self.understanding.utterances(words)
        ]

    def _fact(self, cut: Sequence[Word]) -> Heard:
        words = tuple(
            Word(word.text, self.began + word.start, self.began + word.end, word.confidence)
            for word in cut
        )
        return Heard(
            t=words[0].start,
            until=words[-1].end,
            channel=self.channel,
            words=words,
            engine=self.recogniser.name,
            late_s=round(self.late_s(), 1),
        )

    def _settle(self, found: Sequence[_Said], *, last: bool) -> None:
        """Tell what is new in what was heard, and hold what may still become something else."""
        self._held = []
        for said in found:
            before = [told for told in self._told if told.overlaps(said)]
            new = not before or (before == self._told[-1:] and said.goes_beyond(before[0]))
            if not new:
                continue
            if not last and self._may_change(said):
                self._held.append(said)
                continue
            if before:
                said.stored = self._told.pop().stored
            self._told.append(said)
            if self.at_once:
                self._store(said)

    def _may_change(self, said: _Said) -> bool:
        meaning = self.understanding.read([word.text for word in said.cut])
        if meaning.kind == "unrecognised":
            return True
        return self.doubting.confidence(said.cut, said.alternatives, said.sound) < HOLD

    def _store(self, said: _Said) -> None:
        """A new fact, or one that puts it in the place of what was told."""
        told = (said.heard, said.cut, said.alternatives, said.sound)
        said.stored = self.doubting.tell(*told, instead_of=said.stored)
