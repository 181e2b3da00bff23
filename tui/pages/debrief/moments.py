"""The moments of a case that a debrief comes back to: findings, calls without an answer, marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from grammar.case.findings import Finding
from grammar.case.loops import Loop, LoopState
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.pages.debrief.notes import DebriefNote
from tui.text.wording import call_in_words, called_and_read_back, clean, clock, station

Kind = Literal["finding", "differs", "unanswered", "late", "another", "again", "mark", "note"]

FINDINGS: tuple[Kind, ...] = ("finding", "differs", "another")
UNANSWERED: tuple[Kind, ...] = ("unanswered", "late")
AGAIN: tuple[Kind, ...] = ("again",)
MARKS: tuple[Kind, ...] = ("mark", "note")

KIND_WORDS: dict[Kind, str] = {
    "finding": "Finding",
    "differs": "Read-back differs",
    "unanswered": "Unanswered",
    "late": "Answered late",
    "another": "Answered by another",
    "again": "Said again",
    "mark": "Mark",
    "note": "Note",
}

KIND_SIGNS: dict[Kind, str] = {
    "finding": "!",
    "differs": "≠",
    "unanswered": "?",
    "late": "?",
    "another": "⇄",
    "again": "↻",
    "mark": "◆",
    "note": "◆",
}
"""One character each, where a moment is a point on a line of time."""


@dataclass(frozen=True, slots=True)
class Moment:
    """`t` seconds on the case's clock; `text` is clean; `facts` are what it rests on, by seq."""

    kind: Kind
    t: float
    text: str
    facts: tuple[int, ...] = ()
    detail: str = ""
    """More in words: what was called and what was read back, or when a late answer came."""
    rule: str = ""
    """The id of the rule that a finding broke."""
    mended: bool = False
    """Of a read-back that differed: it was put right later."""
    heard_from: float | None = None
    """Where to listen from to understand it, where that is earlier than the moment itself."""


def badge(moment: Moment) -> str:
    """Return the words that say at once what sort of moment it is."""
    return "Not reported done" if moment.rule == "task-overdue" else KIND_WORDS[moment.kind]


def moments(
    protocol: Protocol, view: View, notes: Sequence[DebriefNote] = ()
) -> tuple[Moment, ...]:
    """All moments of a case, in order of time."""
    found = [
        Moment("finding", f.t, clean(f.text), f.facts, _later(f), f.rule) for f in view.findings
    ]
    differing = {loop.differing_fact for loop, _ in view.loops if loop.differing_fact is not None}
    said = {line.fact: line.t for line in view.log if line.fact in differing}
    known: dict[str, str] = {}
    for loop, state in view.loops:
        found += _of_loop(protocol, loop, state, said, known)
    found += [
        Moment("mark" if line.kind == "mark" else "note", line.t, clean(line.text), (line.fact,))
        for line in view.log
        if line.kind in ("mark", "note")
    ]
    found += [Moment("note", note.t, clean(note.text), detail="debrief") for note in notes]
    return tuple(sorted(found, key=lambda moment: moment.t))


def _later(found: Finding) -> str:
    """Return what became of an order that was not done in its time: it names no report where none came."""
    if found.rule != "task-overdue":
        return ""
    later = "never reported done" if len(found.facts) == 1 else "reported done later"
    return f"time ran out at {clock(found.t)}, {later}"


def _of_loop(
    protocol: Protocol, loop: Loop, state: LoopState, said: dict[int, float], known: dict[str, str]
) -> list[Moment]:
    """Return all that went otherwise with a call, each at its moment; `said` is when facts were, and
    `known` holds each text as one value for all moments that bear it."""
    if state == "withdrawn":
        return []
    to = station(protocol, loop.to)
    what = call_in_words(protocol, loop.call, loop.slots) + (f" → {to}" if to else "")
    what = known.setdefault(what, what)
    answered = (loop.fact,) if loop.answer_fact is None else (loop.fact, loop.answer_fact)
    found = []
    if loop.differing is not None:
        called, read = called_and_read_back(protocol, loop.call, loop.slots, loop.differing)
        wrong = () if loop.differing_fact is None else (loop.differing_fact,)
        mended = state in ("answered", "closed")
        told = f"called {called}, read back {read}{', put right later' if mended else ''}"
        right = answered[1:] if mended else ()
        at = said.get(wrong[0], loop.opened) if wrong else loop.opened
        facts = (loop.fact, *wrong, *right)
        found.append(
            Moment("differs", at, what, facts, told, mended=mended, heard_from=loop.opened)
        )
    if loop.late and loop.answered is not None:
        told = f"answered {loop.answered - loop.ended:.0f} s after the call"
        found.append(Moment("late", loop.opened, what, answered, told))
    elif state == "unanswered":
        told = f"no answer within {loop.window_s:.0f} s, nor later"
        told = known.setdefault(told, told)
        found.append(Moment("unanswered", loop.opened, what, (loop.fact,), told))
    if "by another" in loop.flags:
        told = "answered by another station than the one it was for"
        found.append(Moment("another", loop.opened, what, answered, told))
    if loop.repeats or "say again" in loop.flags:
        told = "asked to be said again" if "say again" in loop.flags else "called again"
        found.append(Moment("again", loop.opened, what, answered, told))
    return found
