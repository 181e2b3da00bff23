"""The handover after a case, in the trade's order: who and when, the airway, drugs, vital signs,
the course, and the points that are still open.

Pure, from a View: for the screen, the report and the exports alike. Times are seconds on the case's
clock, people are roles.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from grammar.case.airway_record import Record, record_of
from grammar.case.doses import DoseGiven
from grammar.case.findings import Finding
from grammar.case.loops import Loop
from grammar.case.view import LogLine, View
from grammar.case.vitals import VitalSign
from grammar.language.meaning import Slots
from grammar.protocol.model import Protocol


@dataclass(frozen=True, slots=True)
class Trend:
    """All values called of one vital sign, in order of time; never empty."""

    id: str
    title: str
    unit: str
    signs: tuple[VitalSign, ...]

    @property
    def lowest(self) -> VitalSign:
        """The extreme by its first value; the earliest of equals."""
        return min(self.signs, key=lambda sign: sign.values[0])

    @property
    def highest(self) -> VitalSign:
        """By its first value; the earliest of equals."""
        return max(self.signs, key=lambda sign: sign.values[0])


OpenKind = Literal[
    "unanswered",
    "differs",
    "open",
    "unheard",
    "unknown",
    "answered",
    "overdue",
    "pending",
    "unsure",
]

URGENCY: tuple[OpenKind, ...] = (
    "differs",
    "unanswered",
    "overdue",
    "unsure",
    "unheard",
    "unknown",
    "open",
    "answered",
    "pending",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPoint:
    """Something nobody has closed: a call (`unanswered`, `differs`, `open`, `unheard`, `unknown`; one that
    is `answered` waits for the caller), a task not reported done (`overdue`, `pending`), an utterance still
    `unsure`."""

    kind: OpenKind
    t: float
    call: str | None
    slots: Slots
    fact: int
    text: str = ""
    """The words heard, where they are unsure."""
    differing: Slots | None = None
    """Values that the read-back said instead."""
    unsure: bool = False
    """The call itself was heard with doubt."""
    number_unclear: bool = False
    """Its number sounds like another, and nobody said which it was."""


@dataclass(frozen=True, slots=True)
class ListLeft:
    """A checklist that was begun or called complete, with the ids of the items nobody answered."""

    id: str
    title: str
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Handover:
    """The summary of one case at one moment."""

    protocol: str
    weight_kg: float | None
    until: float
    ended: float | None
    speakers: tuple[tuple[str | None, int], ...]
    """Station (None: unknown) and how many utterances it made, the most first."""
    record: Record
    doses: tuple[DoseGiven, ...]
    trends: tuple[Trend, ...]
    open_points: tuple[OpenPoint, ...]
    """The most urgent first, then in order of time."""
    lists_left: tuple[ListLeft, ...]
    findings: tuple[Finding, ...]
    notes: tuple[LogLine, ...] = ()
    """Notes and marks of people, in order of time."""
    put_right: tuple[Loop, ...] = ()
    """Calls that were read back otherwise first, and rightly later."""
    waiting: Mapping[int, OpenKind] = field(default_factory=dict)
    """By the fact of a call, how it still waits."""
    heard_up_to: float | None = None
    """Sound has been heard up to here, where that lags behind: all lists go no further. Seconds."""


def handover(protocol: Protocol, view: View) -> Handover:
    """Return the summary of the case at the view's moment."""
    said = (line.utterance for line in view.log if line.utterance)
    speakers = Counter(one.sender for one in said if one.role != "unrecognised")
    return Handover(
        protocol=protocol.protocol.id,
        weight_kg=view.weight_kg,
        until=view.now,
        ended=view.ended,
        speakers=tuple(speakers.most_common()),
        record=record_of(protocol, view),
        doses=tuple(sorted(view.doses, key=lambda dose: dose.t)),
        trends=trends(view),
        open_points=_open(view),
        lists_left=tuple(
            ListLeft(each.id, each.title, each.missing)
            for each in view.checklists
            if each.missing and (each.answered or each.completed is not None)
        ),
        findings=view.findings,
        notes=tuple(
            sorted((x for x in view.log if x.kind in ("note", "mark")), key=lambda line: line.t)
        ),
        put_right=tuple(
            loop for loop, state in view.loops if loop.differing and state in ("closed", "answered")
        ),
        waiting={loop.fact: state for loop, state in _waiting(view)},
        heard_up_to=view.heard_up_to,
    )


def trends(view: View) -> tuple[Trend, ...]:
    """Return each vital sign that was called, in order of first appearance."""
    by_id: dict[str, list[VitalSign]] = {}
    for sign in sorted(view.vitals, key=lambda sign: sign.t):
        by_id.setdefault(sign.id, []).append(sign)
    return tuple(
        Trend(id_, signs[0].title, signs[0].unit, tuple(signs)) for id_, signs in by_id.items()
    )


def _waiting(view: View) -> Iterator[tuple[Loop, OpenKind]]:
    """Yield the calls that still wait for somebody, in order of opening."""
    for loop, state in view.loops:
        if state in ("unanswered", "differs", "open", "unheard", "unknown", "answered"):
            yield loop, state


def _open(view: View) -> tuple[OpenPoint, ...]:
    found = [
        OpenPoint(
            kind=state,
            t=loop.opened,
            call=loop.call,
            slots=loop.slots,
            fact=loop.fact,
            differing=loop.differing,
            unsure=loop.unsure,
        )
        for loop, state in _waiting(view)
    ]
    found += [
        OpenPoint(kind=state, t=task.ordered, call=task.call, slots=task.slots, fact=task.fact)
        for task, state in view.tasks
        if state in ("overdue", "pending")
    ]
    found += [
        OpenPoint(
            kind="unsure",
            t=said.t,
            call=said.call,
            slots=said.slots,
            fact=said.fact,
            text=said.text,
            number_unclear=not said.unsure,
        )
        for said in view.unsure
    ]
    return tuple(sorted(found, key=lambda point: (URGENCY.index(point.kind), point.t)))
