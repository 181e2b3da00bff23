"""The moments of a case that a debrief comes back to: findings, calls without an answer, marks."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Literal

from grammar.case.findings import Finding
from grammar.case.loops import Loop, LoopState
from grammar.case.view import Utterance, View
from grammar.protocol.model import Protocol
from tui.pages.debrief.notes import DebriefNote
from tui.text.doses import against_order
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
    """A moment worth going back to: `t` seconds on the case's clock; `text` is clean; `facts` are what it
    rests on, by `seq`.
    """

    kind: Kind
    t: float
    text: str
    _: KW_ONLY
    facts: tuple[int, ...] = ()
    detail: str = ""
    """More in words: what was called and what was read back, or when a late answer came."""
    rule: str = ""
    """The id of the rule that a finding broke."""
    mended: bool = False
    """Of a read-back that differed: it was put right later."""
    heard_from: float | None = None
    """Where to listen from to understand it, where that is earlier than the moment itself."""
    heard_until: float | None = None
    """Of a call: up to where all is to be heard, with the silence in which nobody answered."""
    unclear: tuple[int, ...] = ()
    """Of an order that was never reported done: speech that was not understood in its time, by `seq`. It
    may have been the report."""

    @property
    def is_wrong(self) -> bool:
        """Return whether another value stands against the one that was called, and was not put right."""
        return self.rule == OTHER_DOSE or (self.kind == "differs" and not self.mended)


OTHER_DOSE = "dose-differs-from-order"


def badge(moment: Moment) -> str:
    """Return the words that say at once what sort of moment it is."""
    return _RULE_BADGES.get(moment.rule, KIND_WORDS[moment.kind])


_RULE_BADGES = {"task-overdue": "Not reported done", OTHER_DOSE: "Other dose than ordered"}


def moments(
    protocol: Protocol, view: View, notes: Sequence[DebriefNote] = ()
) -> tuple[Moment, ...]:
    """Return all moments of a case, in order of time."""
    told = _Told(view)
    found = [_of_finding(f, told) for f in view.findings]
    known: dict[str, str] = {}
    for loop, state in view.loops:
        found += _of_loop(protocol, loop, state, told=told, known=known)
    found += told.marks
    found += [Moment("note", note.t, clean(note.text), detail="debrief") for note in notes]
    return tuple(sorted(found, key=lambda moment: moment.t))


class _Told:
    """A case's log gone through once, for all moments."""

    def __init__(self, view: View) -> None:
        differing = {x.differing_fact for x, _ in view.loops if x.differing_fact is not None}
        self.differing: dict[int, float] = {}
        """When each read-back began that differs, by `seq`."""
        self.corrections = corrections(view)
        self.unclear: list[Utterance] = []
        """Speech that was not understood, or heard with doubt, in order of the log."""
        self.marks: list[Moment] = []
        for line in view.log:
            said = line.utterance
            if said is None:
                if line.kind in ("mark", "note"):
                    kind: Kind = "mark" if line.kind == "mark" else "note"
                    self.marks.append(Moment(kind, line.t, clean(line.text), facts=(line.fact,)))
                continue
            if said.role == "unrecognised" or said.unsure:
                self.unclear.append(said)
            if said.fact in differing:
                self.differing[said.fact] = said.t
        self.unclear.sort(key=_began)
        wanted = {f.facts[0] for f in view.findings if f.rule in _RULE_BADGES}
        self.tasks = {task.fact: task for task, _ in view.tasks if task.fact in wanted}
        self.doses = {
            (dose.ordered_fact, dose.fact): dose
            for dose in view.doses
            if dose.ordered_fact in wanted
        }


def _began(said: Utterance) -> float:
    return said.t


def corrections(view: View) -> dict[int, tuple[int, ...]]:
    """Return what was said to put a call or its read-back right ("negative, seventy"), by `seq`, for each
    call that had such words, by its own."""
    found: dict[int, tuple[int, ...]] = {}
    for line in view.log:
        said = line.utterance
        if said is None or said.loop is None or said.role != "proword":
            continue
        if said.meaning.said("negative", "correction"):
            found[said.loop] = (*found.get(said.loop, ()), said.fact)
    return found


def _of_finding(found: Finding, told: _Told) -> Moment:
    detail = ""
    unclear: tuple[int, ...] = ()
    if found.rule == OTHER_DOSE:
        dose, order = told.doses.get((found.facts[0], found.facts[-1])), told.tasks[found.facts[0]]
        detail = "" if dose is None else against_order(dose, order)
    elif found.rule == "task-overdue":
        detail, unclear = _overdue(found, told)
    return Moment(
        "finding",
        found.t,
        clean(found.text),
        facts=found.facts,
        detail=detail,
        rule=found.rule,
        unclear=unclear,
    )


def _overdue(found: Finding, told: _Told) -> tuple[str, tuple[int, ...]]:
    """Return what became of an order that was not done in its time; and where no report came, the speech
    that may have been one: in that time, or in as long a time after it."""
    ran_out = f"counted from its end, over at {clock(found.t)}"
    if len(found.facts) > 1:
        return f"{ran_out}; reported done later", ()
    ordered = told.tasks[found.facts[0]].ordered
    first = bisect_right(told.unclear, ordered, key=_began)
    last = bisect_right(told.unclear, 2 * found.t - ordered, key=_began)
    facts = tuple(said.fact for said in told.unclear[first:last])
    return f"{ran_out}; never reported done", facts


def _of_loop(
    protocol: Protocol, loop: Loop, state: LoopState, *, told: _Told, known: dict[str, str]
) -> list[Moment]:
    """Return all that went otherwise with a call, each at its moment; `known` holds each text as one value
    for all moments that bear it."""
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
        how = f"called {called}, read back {read}{', put right later' if mended else ''}"
        right = answered[1:] if mended else ()
        at = told.differing.get(wrong[0], loop.opened) if wrong else loop.opened
        facts = (loop.fact, *wrong, *told.corrections.get(loop.id, ()), *right)
        found.append(
            Moment(
                "differs", at, what, facts=facts, detail=how, mended=mended, heard_from=loop.opened
            )
        )
    # Silence is part of what is to be heard: for the whole window, and not past the answer.
    until = loop.deadline if loop.answered is None else min(loop.deadline, loop.answered)
    if loop.late and loop.answered is not None:
        how = f"answered {loop.answered - loop.ended:.0f} s after the end of the call"
        found.append(
            Moment("late", loop.opened, what, facts=answered, detail=how, heard_until=until)
        )
    elif state == "unanswered":
        how = f"no answer within {loop.window_s:.0f} s, nor later"
        how = known.setdefault(how, how)
        found.append(
            Moment(
                "unanswered", loop.opened, what, facts=(loop.fact,), detail=how, heard_until=until
            )
        )
    if "by another" in loop.flags:
        how = "answered by another station than the one it was for"
        found.append(Moment("another", loop.opened, what, facts=answered, detail=how))
    if loop.repeats or "say again" in loop.flags:
        how = "asked to be said again" if "say again" in loop.flags else "called again"
        found.append(
            Moment("again", loop.opened, what, facts=answered, detail=how, heard_until=until)
        )
    return found
