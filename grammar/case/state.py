"""The state of a case: the outcome of the facts so far, before time is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from grammar.case.checklist import ChecklistProgress
from grammar.case.chunked_sequence import ChunkedSequence
from grammar.case.doses import DoseGiven, Report, Task
from grammar.case.findings import Finding
from grammar.case.loops import Loop
from grammar.case.persistent_sequence import PersistentSequence
from grammar.case.recorded import RecordedCall
from grammar.case.sequence_rules import Event
from grammar.case.timers import Running, Timer
from grammar.case.view import LogLine, Utterance
from grammar.case.vitals import VitalSign


@dataclass(frozen=True, slots=True)
class State:
    """The state of a case after some facts. Deadlines are not judged here: they need `now`, see
    `view.View`.
    """

    loops: ChunkedSequence[Loop] = field(default_factory=ChunkedSequence)
    timers: ChunkedSequence[Timer] = field(default_factory=ChunkedSequence)
    running: Running = ()
    tasks: ChunkedSequence[Task] = field(default_factory=ChunkedSequence)
    pending: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """Places in `tasks` of those that are neither done nor withdrawn, by the order's call."""
    reports: ChunkedSequence[Report] = field(default_factory=ChunkedSequence)
    doses: ChunkedSequence[DoseGiven] = field(default_factory=ChunkedSequence)
    vitals: ChunkedSequence[VitalSign] = field(default_factory=ChunkedSequence)
    checklists: tuple[ChecklistProgress, ...] = ()
    findings: ChunkedSequence[Finding] = field(default_factory=ChunkedSequence)
    events: Mapping[str, ChunkedSequence[Event]] = field(default_factory=dict)
    records: ChunkedSequence[RecordedCall] = field(default_factory=ChunkedSequence)
    """Calls of the record, whatever their order in time."""
    log: PersistentSequence[LogLine] = field(default_factory=PersistentSequence)
    withdrawn: frozenset[int] = frozenset()
    """Facts whose effects were disregarded or corrected away."""
    unsure: ChunkedSequence[Utterance] = field(default_factory=ChunkedSequence)
    """Calls heard with doubt: they have had no effect yet."""
    unsure_answers: ChunkedSequence[Utterance] = field(default_factory=ChunkedSequence)
    """Answers and prowords heard with doubt: they have closed nothing."""
    possible_help: ChunkedSequence[Utterance] = field(default_factory=ChunkedSequence)
    """Utterances that may be a call for help and that nobody has settled."""
    weight_kg: float | None = None
    drill: bool | None = None
    """Whether it is a drill; None where nobody said."""
    recording: bool = False
    channels: Mapping[int, str] = field(default_factory=dict)
    ended: float | None = None
