"""The state of a case at one moment, which screens, summaries and reports read."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from grammar.case.checklist import ChecklistProgress
from grammar.case.doses import DoseGiven, Task, TaskState
from grammar.case.findings import Countdown, Finding
from grammar.case.loops import Loop, LoopState
from grammar.case.recorded import RecordedCall
from grammar.case.sequence_rules import Event
from grammar.case.speaker import NOBODY, Speaker
from grammar.case.timers import Timer, TimerState
from grammar.case.vitals import VitalSign
from grammar.language.meaning import Meaning, Slots

Role = Literal["call", "read-back", "acknowledgement", "proword", "unrecognised"]


@dataclass(frozen=True, slots=True)
class Utterance:
    """One heard or entered utterance and what the case made of it. Times in seconds."""

    fact: int
    t: float
    until: float
    channel: int
    text: str
    role: Role
    meaning: Meaning
    call: str | None
    slots: Slots
    to: str | None
    sender: str | None
    loop: int | None
    confidence: float
    unsure: bool
    ear: Literal["quick", "sure", "both"] = "quick"
    """Who heard it so, as in `amendments.Ear`."""
    likely: str = ""
    """Of speech that was not understood, the likeliest words; they count for nothing."""
    flags: tuple[str, ...] = ()
    """Such as `second-listener`, `number-conflict`, `sounds-like`, `repeat`, `amended`, `entered`."""
    speaker: Speaker = NOBODY
    """The evidence that `sender` rests on, and who perhaps spoke where it is None."""

    @property
    def kind(self) -> Literal["utterance"]:
        """As a line of the log, which an utterance is itself: a week's million would need twice as many
        values."""
        return "utterance"

    @property
    def utterance(self) -> Utterance:
        """Itself, as a line of the log."""
        return self


@dataclass(frozen=True, slots=True)
class OtherLine:
    """One line of the running log that is no utterance: another fact worth reading."""

    t: float
    fact: int
    kind: Literal["note", "mark", "gap", "warn", "case", "hand"]
    """`hand` is what a person did at the keyboard that is neither an entry nor a note."""
    text: str

    @property
    def utterance(self) -> None:
        """None: nobody said it."""
        return


USUAL_LAG_S = 1.5
"""Hearing that is no further behind the case's clock than this is as usual, seconds."""


@dataclass(frozen=True, slots=True)
class HeardUpTo:
    """The moments up to which a case that goes on was heard and told, both in seconds on its clock."""

    sound: float
    """Up to here all sound has been heard."""
    told: float
    """Up to here all that was said has been told; before `sound` while somebody speaks."""


LogLine: TypeAlias = Utterance | OtherLine
"""One line of the running log."""


def utterance_of(log: Sequence[LogLine], fact: int) -> Utterance | None:
    """Return the utterance of a fact; None where none of the lines, ordered by fact, is one of it."""
    at = bisect_left(log, fact, key=lambda line: line.fact)
    said = log[at].utterance if at < len(log) else None
    return said if said is not None and said.fact == fact else None


@dataclass(frozen=True, slots=True)
class View:
    """All that is derived of a case, at `now` seconds on its clock."""

    now: float
    loops: tuple[tuple[Loop, LoopState], ...]
    """In order of opening."""
    timers: tuple[tuple[Timer, TimerState], ...]
    tasks: tuple[tuple[Task, TaskState], ...]
    doses: tuple[DoseGiven, ...]
    vitals: tuple[VitalSign, ...]
    """All, in order of time; the last of each id is the latest."""
    checklists: tuple[ChecklistProgress, ...]
    findings: tuple[Finding, ...]
    countdowns: tuple[Countdown, ...]
    log: Sequence[LogLine]
    weight_kg: float | None
    recording: bool
    ended: float | None
    unsure: tuple[Utterance, ...] = ()
    """Heard with doubt and waiting for someone: calls without effect yet, answers that closed nothing.
    In order of time."""
    drill: bool | None = None
    """True for a drill, False for a real case; None where nobody said."""
    possible_help: tuple[Utterance, ...] = ()
    """Utterances that may be a call for help, until a person settles each. In order of time."""
    records: tuple[RecordedCall, ...] = ()
    """Calls of the record, for `record.record_of`."""
    events: Mapping[str, tuple[Event, ...]] = field(default_factory=dict)
    """When each event that the protocol's rules name happened, as in `sequence.Events`."""
    heard: HeardUpTo | None = None
    """How far hearing has come; None where all that was said is told."""

    @property
    def heard_up_to(self) -> float | None:
        """The moment up to which sound has been heard, seconds, where that lags behind `now` more than is
        usual: later calls and answers are not known. Else None."""
        if self.heard is None or self.now - self.heard.sound <= USUAL_LAG_S:
            return None
        return self.heard.sound

    @property
    def waiting(self) -> tuple[tuple[Loop, LoopState], ...]:
        """Loops that need someone: differing first, then unanswered, then open; of each the oldest,
        and those that were entered as calls of some time before after those that are called now."""
        urgent = {
            "differs": 0,
            "unanswered": 1,
            "unheard": 2,
            "open": 3,
            "unknown": 4,
            "answered": 5,
        }
        live = [pair for pair in self.loops if pair[1] in urgent]
        return tuple(sorted(live, key=lambda pair: (urgent[pair[1]], pair[0].past, pair[0].asked)))

    @property
    def latest_vitals(self) -> tuple[VitalSign, ...]:
        """The latest of each vital sign, in order of first appearance."""
        return tuple({sign.id: sign for sign in self.vitals}.values())
