"""One stretch of speech, from its first sound to its last fact.

A segment ends after a silence longer than the pauses inside a call; nobody should wait so long for
an order that is complete. So at every short pause the speech is heard to its end, and told at once
if it is a call by then. If the speaker goes on after all, the whole is heard anew, and an utterance
that turns out longer ("fifteen", and after a moment "five zero") takes the place of the one that
was told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from sys import intern
from typing import Final

import numpy as np

from grammar.case.facts import Heard
from grammar.language.parse import Understanding
from grammar.language.words import Word
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import HANGOVER_S
from listener.confidence.confidence_scoring import ConfidenceScoring, Kept
from listener.confidence.storing_verdicts import SecondHearings
from listener.confidence.stretch import NARROWER_S, Ahead, Stretch, Told
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Hearing, Recogniser
from listener.recognition.word_ends import ended_by_sound

PAUSE_S: Final = 0.2
"""After this pause in the voice speech is heard to its end, and told where it is sure."""

SURE: Final = 0.7
"""Least confidence of speech that is told at a short pause. The beginning of a call, heard alone,
may seem to be another call."""

LATER_S: Final = 0.3
"""After this pause it is told unless it is very doubtful: it is longer than most pauses in a call."""

_AHEAD_S: Final = 0.3
"""Seconds that the network looks ahead. A pause that is shorter is prolonged by its own sound,
there and back."""

_FED_S: Final = 0.1
"""Seconds of sound given to the recogniser at a time; each time it works out the words so far."""

LONGEST_S: Final = 8.0
"""In speech longer than this pauses are passed over: no call is so long, and each pause costs
hearing all again."""

DOUBTFUL: Final = 0.45
"""Speech that is less sure than this waits for the segment's end, since the whole may be surer. It
lies above the bound of speech that is not understood (`least` in `confidence.toml`)."""

_BY_NAME: Final = 0.5
"""Confidence penalty at a pause for an utterance that names a station but is no call."""

_BESIDE_S: Final = 0.1
"""Greatest difference of the ends of a word that is heard twice, seconds: less than a pause."""


@dataclass(slots=True, eq=False, kw_only=True)
class _Said:
    """An utterance; times in `cut` count from the segment's start."""

    heard: Heard
    cut: Sequence[Word]
    alternatives: Sequence[Alternative]
    sound: Samples
    kept: Kept | None = None
    """The fact that was stored of it, once there is one."""

    def overlaps(self, other: _Said) -> bool:
        """Return whether the words of both share more time than the ends of words are unsure by."""
        ends, begins = min(self.cut[-1].end, other.cut[-1].end), self.cut[0].start
        return ends - max(begins, other.cut[0].start) > _BESIDE_S

    def goes_beyond(self, other: _Said) -> bool:
        """Return whether a word of it comes after all of the other."""
        return self.cut[-1].start > other.cut[-1].end - _BESIDE_S


@dataclass(slots=True, eq=False)
class Speech:
    """A speech segment on one channel that began at `began` seconds on the case's clock."""

    began: float
    channel: int
    recogniser: Recogniser
    understanding: Understanding
    scoring: ConfidenceScoring
    late_s: Callable[[], float]
    at_once: bool
    """Whether to tell at a pause; else the same is told when the segment ends."""
    second_hearings: SecondHearings | None = None
    """The sure ear, where there is one."""
    _pieces: list[Samples] = field(default_factory=list)
    _unfed: list[Samples] = field(default_factory=list)
    """The last of them, which the recogniser has not been given."""
    _hearing: Hearing | None = None
    """None between a pause and the voice that goes on."""
    _told: list[_Said] = field(default_factory=list)
    _held: list[_Said] = field(default_factory=list)
    """Utterances heard at the last pause that wait for the segment's end."""
    _ahead: Ahead | None = None
    """The sure ear's hearing of it, where this pause is the end."""
    _settled: list[Told] | None = None
    """The utterances that the sure ear judges already, the voice having faded long ago."""
    _pause: float | None = None
    """The middle of the pause that goes on, seconds from the segment's start, once it is long."""
    _pauses: list[float] = field(default_factory=list)
    """Those of long pauses after which the voice went on: one call may end there and another begin."""

    def __post_init__(self) -> None:
        self._hearing = self.recogniser.open()

    @property
    def untold_from(self) -> float:
        """Return the moment from which speech has not been told yet, seconds on the case's clock."""
        return self.began + (self._told[-1].cut[-1].end if self._told else 0.0)

    def accept(self, samples: Samples) -> None:
        """Take the next samples, shape (n,)."""
        self._pieces.append(samples)
        self._unfed.append(samples)
        if sum(map(len, self._unfed)) >= _FED_S * SAMPLE_RATE:
            self._feed()

    def _feed(self) -> None:
        if self._hearing and self._unfed:
            self._hearing.accept(np.concatenate(self._unfed))
        self._unfed.clear()

    def partial(self) -> str:
        """Return the words so far that have not been told, as they may still change."""
        words = self._hearing.partial().split() if self._hearing else []
        told = [word.text for said in self._told for word in said.cut]
        # After a pause all is heard anew, its beginning included, which may already be told.
        begun = min(len(words), len(told))
        return " ".join(words[len(told) :] if words[:begun] == told[:begun] else words)

    def paused(self, pause_s: float) -> None:
        """Note that the voice has been silent for `pause_s` seconds, 0 while it speaks. Raises
        HearingFailed.
        """
        self._note_pause(pause_s)
        self._listen_ahead(pause_s)
        self._settle_in_echo(pause_s)
        if self._hearing is None:
            if pause_s < PAUSE_S:
                self._hearing = self.recogniser.open()
                self._unfed = list(self._pieces)
                self._feed()
            elif pause_s >= LATER_S and self._held:
                self._settle(self._held, DOUBTFUL)
        elif pause_s >= PAUSE_S and sum(map(len, self._pieces)) <= LONGEST_S * SAMPLE_RATE:
            sound = np.concatenate(self._pieces)
            quiet = sound[-round(_AHEAD_S / 2 * SAMPLE_RATE) :]
            ahead = np.concatenate([quiet[::-1], quiet])
            self._unfed.append(ahead)
            self._feed()
            found = self._heard_out(self._hearing, np.append(sound, ahead))
            self._settle(found, DOUBTFUL if pause_s >= LATER_S else SURE)

    def ended(self) -> None:
        """End the segment and tell the utterances that are left. Raises HearingFailed."""
        found = self._held
        if self._hearing:
            self._feed()
            found = self._heard_out(self._hearing, np.concatenate(self._pieces))
        self._settle(found)
        if not self.at_once:
            for said in self._told:
                self._store(said)
        told = self._told_and_stored()
        if self._pieces and told != self._settled:
            self._have_settled(told)

    def _told_and_stored(self) -> list[Told]:
        return [Told(said.kept.seq, said.kept.heard, said.cut) for said in self._told if said.kept]

    def _have_settled(self, told: list[Told]) -> None:
        """Have the sure ear judge what was told."""
        if self.second_hearings is None:
            return
        stretch = Stretch(
            began=self.began,
            channel=self.channel,
            engine=self.recogniser.name,
            told=told,
            sound=np.concatenate(self._pieces),
            ahead=self._ahead,
            pauses=tuple(self._pauses),
        )
        self.second_hearings.ended(stretch)

    def _settle_in_echo(self, pause_s: float) -> None:
        """Have the sure ear judge what was told where the voice has faded for as long as ends a segment,
        though an echo or a breath keeps it going. Should the voice go on after all, it judges anew."""
        if pause_s < PAUSE_S:
            self._settled = None
        elif pause_s >= HANGOVER_S and self._settled is None and self._hearing is None:
            told = self._told_and_stored()
            if not told or self._held:
                return
            # Where much beside it may be another utterance, that would be told twice.
            length_s = sum(map(len, self._pieces)) / SAMPLE_RATE
            if told[-1].cut[-1].end - told[0].cut[0].start >= length_s - NARROWER_S - 1.0:
                self._settled = told
                self._have_settled(told)

    def _note_pause(self, pause_s: float) -> None:
        if pause_s >= LATER_S:
            self._pause = sum(map(len, self._pieces)) / SAMPLE_RATE - pause_s / 2
        elif pause_s < PAUSE_S and self._pause is not None:
            self._pauses.append(self._pause)
            self._pause = None

    def _listen_ahead(self, pause_s: float) -> None:
        """Have the sure ear begin where this may be the end, and forget it where it was not."""
        if pause_s < PAUSE_S and self._ahead:
            self._ahead.dropped = True
            self._ahead = None
        elif self.second_hearings and self._ahead is None:
            # Sooner where that costs little: what was begun in vain is broken off.
            long = sum(map(len, self._pieces)) > LONGEST_S * SAMPLE_RATE
            if pause_s >= (LATER_S if long else PAUSE_S):
                self._ahead = self.second_hearings.ahead(np.concatenate(self._pieces))

    def _heard_out(self, hearing: Hearing, sound: Samples) -> list[_Said]:
        """Return the utterances of the segment so far, whose sound is `sound`."""
        self._hearing = None
        words = ended_by_sound(hearing.finish(), sound)
        return [
            _Said(heard=self._fact(cut), cut=cut, alternatives=hearing.alternatives, sound=sound)
            for cut in self.understanding.utterances(words)
        ]

    def _fact(self, cut: Sequence[Word]) -> Heard:
        words = tuple(
            # One text for a word however often it is said: a case may go on for hours.
            Word(intern(word.text), self.began + word.start, self.began + word.end, word.confidence)
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

    def _settle(self, found: Sequence[_Said], least: float | None = None) -> None:
        """Tell the utterances that are new. One that is no call, or less sure than `least`, may
        still become another and waits; with `least` None none waits."""
        self._held, waits = [], False
        for said in found:
            before = [told for told in self._told if told.overlaps(said)]
            new = not before or (before == self._told[-1:] and said.goes_beyond(before[0]))
            if not new:
                continue
            if least is not None and (waits or (sure := self._sureness(said)) < least):
                self._held.append(said)
                waits = waits or sure >= 0  # calls are told in their order
                continue
            if before:
                said.kept = self._told.pop().kept
            self._told.append(said)
            if self.at_once:
                self._store(said)

    def _sureness(self, said: _Said) -> float:
        """Return the confidence, 0 to 1; below 0 for an utterance that is no call."""
        meaning = self.understanding.read([word.text for word in said.cut])
        if meaning.kind == "unrecognised":
            return -1.0
        sure = self.scoring.confidence(said.cut, said.alternatives, said.sound)
        # A name with an answer is most often a call to that name, and the caller draws breath.
        return max(0.0, sure - _BY_NAME) if meaning.to and meaning.kind != "call" else sure

    def _store(self, said: _Said) -> None:
        """Store a new fact, or one that takes the place of the utterance told before."""
        told = (said.heard, said.cut, said.alternatives, said.sound)
        begun = said.kept.seq if said.kept else None
        said.kept = self.scoring.tell(*told, instead_of=begun) or said.kept
