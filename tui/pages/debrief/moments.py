"""The moments of a case that a debrief comes back to: findings, calls without an answer, marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from grammar.case.loops import Loop, LoopState
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.pages.debrief.notes import DebriefNote
from tui.text.wording import call_in_words, called_and_read_back, clean, station

Kind = Literal["finding", "differs", "unanswered", "late", "mark", "note"]

FINDINGS: tuple[Kind, ...] = ("finding", "differs")
UNANSWERED: tuple[Kind, ...] = ("unanswered", "late")
MARKS: tuple[Kind, ...] = ("mark", "note")

KIND_WORDS: dict[Kind, str] = {
    "finding": "Finding",
    "differs": "Read-back differs",
    "unanswered": "Unanswered",
    "late": "Answered late",
    "mark": "Mark",
    "note": "Note",
}

KIND_SIGNS: dict[Kind, str] = {
    "finding": "!",
    "differs": "≠",
    "unanswered": "?",
    "late": "?",
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


def moments(
    protocol: Protocol, view: View, notes: Sequence[DebriefNote] = ()
) -> tuple[Moment, ...]:
    """All moments of a case, in order of time."""
    found = [Moment("finding", f.t, clean(f.text), f.facts) for f in view.findings]
    for loop, state in view.loops:
        found += _of_loop(protocol, loop, state)
    found += [
        Moment("mark" if line.kind == "mark" else "note", line.t, clean(line.text), (line.fact,))
        for line in view.log
        if line.kind in ("mark", "note")
    ]
    found += [Moment("note", note.t, clean(note.text), detail="debrief") for note in notes]
    return tuple(sorted(found, key=lambda moment: moment.t))


def _of_loop(protocol: Protocol, loop: Loop, state: LoopState) -> list[Moment]:
    if state == "withdrawn":
        return []
    to = station(protocol, loop.to)
    what = call_in_words(protocol, loop.call, loop.slots) + (f" → {to}" if to else "")
    found = []
    if loop.differing is not None:
        called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing)
        facts = (loop.fact,) if loop.differing_fact is None else (loop.fact, loop.differing_fact)
        righted = ", put right later" if state in ("answered", "closed") else ""
        told = f"called {called}, read back {said}{righted}"
        found.append(Moment("differs", loop.opened, what, facts, told))
    if loop.late and loop.answered is not None:
        facts = (loop.fact,) if loop.answer_fact is None else (loop.fact, loop.answer_fact)
        told = f"answered {loop.answered - loop.ended:.0f} s after the call"
        found.append(Moment("late", loop.opened, what, facts, told))
    elif state == "unanswered":
        told = f"no answer within {loop.window_s:.0f} s, nor later"
        found.append(Moment("unanswered", loop.opened, what, (loop.fact,), told))
    return found
