"""The handover as a page, from what `grammar.reports.handover` derives."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.case.airway_record import Attempt
from grammar.case.doses import DoseGiven, Task, orders_that_stand
from grammar.case.facts import CaseStarted, Fact
from grammar.case.recorded import RecordedCall
from grammar.case.view import View
from grammar.protocol.model import Protocol, decimal
from grammar.reports.handover import Handover, OpenPoint, Trend, handover
from tui.pages.page import CAUTIONS, Page, Table
from tui.text.doses import DoseWords, against_order, per_kg_in_words
from tui.text.wall_clock import began_in_words
from tui.text.wording import (
    AWAITING_ANSWER,
    STATE_WORDS,
    UNSURE_WORDS,
    call_in_words,
    call_title,
    called_and_read_back,
    clean,
    clock,
    drug,
    duration,
    number,
    slots_in_words,
    station,
    wants_read_back,
)


def handover_page(
    protocol: Protocol, view: View, *, facts: Sequence[Fact] = (), head: str = "", checked: str = ""
) -> Page:
    """Return the page for the case at the view's moment. `facts` tell when it began by the wall clock,
    `head` is the check code of a case that is stored. That and `checked`, a sentence on whether the case is
    as it was stored, stand last: who takes over reads the patient first.
    """
    found = handover(protocol, view)
    return Page(
        f"Handover: {protocol.protocol.title}",
        (
            *(
                [
                    f"NOT COMPLETE: heard up to {clock(found.heard_up_to)}, nothing after it is in this"
                ]
                if found.heard_up_to is not None
                else []
            ),
            *(
                ["DRILL: no patient" if view.drill else "Real case"]
                if view.drill is not None
                else []
            ),
            *_about(found, facts),
        ),
        (
            _speakers(protocol, found),
            _airway(protocol, found),
            _attempts(protocol, found),
            _drugs(protocol, view, found),
            _trends(found),
            _course(protocol, found),
            _open(protocol, found),
            _put_right(protocol, found),
            _notes(found),
            Table(
                "Findings",
                ("at", "what"),
                tuple((clock(each.t), each.text) for each in found.findings),
            ),
            *_as_stored(head, checked),
        ),
        CAUTIONS,
    )


def check_code(head: str) -> str:
    """By what a page about a case can be held to it."""
    return f"Check code {clean(head)}"


def _as_stored(head: str, checked: str) -> Iterator[Table]:
    rows = ([clean(checked)] if checked else []) + ([check_code(head)] if head else [])
    if rows:
        yield Table("As it was stored", ("",), tuple((row,) for row in rows))


def _about(found: Handover, facts: Sequence[Fact]) -> Iterator[str]:
    began = next((fact.wall for fact in facts if isinstance(fact, CaseStarted)), "")
    if began:
        yield f"Began {began_in_words(began)}"
    weight = f"{number(decimal(found.weight_kg))} kg" if found.weight_kg else "not entered"
    end = f"ended at {clock(found.ended)}" if found.ended is not None else "still going on"
    yield f"Weight {weight}; as of {clock(found.until)} on the case's clock, {end}"
    yield f"Protocol {found.protocol}"


def _speakers(protocol: Protocol, found: Handover) -> Table:
    rows = tuple(
        (station(protocol, who) or "not known who", str(count)) for who, count in found.speakers
    )
    return Table("Who was heard", ("", "utterances"), rows, none="nobody yet")


def _value(protocol: Protocol, call: RecordedCall | None) -> str:
    return slots_in_words(protocol, call.call, call.slots) if call else ""


def _airway(protocol: Protocol, found: Handover) -> Table:
    record = found.record
    rows = [
        ("Attempts", str(len(record.attempts)), ""),
        ("Device", *_said(protocol, found, record.device)),
        ("View", *_said(protocol, found, record.view)),
        ("Tube size", *_said(protocol, found, record.size)),
        ("Depth", *_said(protocol, found, record.depth)),
        ("Capnography", *_said(protocol, found, record.confirmed, "confirmed")),
    ]
    rows += [
        (f"Lowest {sign.title}", f"{sign.text} {sign.unit}", clock(sign.t))
        for sign in record.lowest
    ]
    return Table("Airway", ("", "", "at"), tuple(rows))


def _said(
    protocol: Protocol, found: Handover, call: RecordedCall | None, words: str = ""
) -> tuple[str, str]:
    """Return the value of a call, or other words for it, and its time; one that still waits says so."""
    if call is None:
        return "not said", ""
    return f"{words or _value(protocol, call)}{_still_open(protocol, found, call)}", clock(call.t)


def _still_open(protocol: Protocol, found: Handover, call: RecordedCall) -> str:
    """Return that a call still waits, and why; "" for one that does not."""
    kind = found.waiting.get(call.fact)
    return f" (OPEN: {_why(protocol, kind, call.call)})" if kind else ""


def _attempts(protocol: Protocol, found: Handover) -> Table:
    rows = tuple(_attempt(protocol, each) for each in found.record.attempts)
    head = ("attempt", "from", "length", "device", "view", "outcome", "capnography", "lowest")
    return Table("Attempts on the airway", head, rows, wide=True)


def _attempt(protocol: Protocol, each: Attempt) -> tuple[str, ...]:
    outcome = call_title(protocol, each.placed.call) if each.placed else each.outcome
    if each.placed and each.outcome == "abandoned":
        outcome += ", then abandoned"
    trace = ""
    if each.refuted and not each.confirmed:
        trace = f"no trace {clock(each.refuted.t)}"
    elif each.confirmed:
        trace = clock(each.confirmed.t)
    elif each.placed:
        trace = "not said"
    return (
        str(each.number),
        clock(each.began) if each.began is not None else "not said",
        duration(round(each.length_s)) if each.length_s is not None else "",
        _value(protocol, each.device),
        _value(protocol, each.view),
        f"{outcome} {clock(each.ended)}" if each.ended is not None else outcome,
        trace,
        ", ".join(f"{sign.text} {sign.unit}" for sign in each.lowest),
    )


def _drugs(protocol: Protocol, view: View, found: Handover) -> Table:
    words = DoseWords(protocol, view)
    orders = orders_that_stand(task for task, _ in view.tasks)
    rows = tuple(
        _drug(protocol, words, dose, orders.get(dose.ordered_fact or 0)) for dose in found.doses
    )
    return Table(
        "Drugs reported given", ("at", "drug", "dose", "per kg", "volume by the sheet"), rows
    )


def _drug(
    protocol: Protocol, words: DoseWords, dose: DoseGiven, order: Task | None
) -> tuple[str, ...]:
    apart = "" if order is None else against_order(dose, order)
    return (
        clock(dose.t),
        drug(protocol, dose.drug),
        f"{words.of(dose)}, {apart}" if apart else words.of(dose),
        per_kg_in_words(dose),
        f"{number(dose.ml, 3)} mL" if dose.ml is not None else "",
    )


def _trends(found: Handover) -> Table:
    rows = tuple(_trend(each) for each in found.trends)
    return Table(
        "Vital signs",
        ("sign", "first", "lowest", "highest", "last", "all, in order"),
        rows,
        wide=True,
    )


def _trend(trend: Trend) -> tuple[str, ...]:
    first, last = trend.signs[0], trend.signs[-1]
    return (
        f"{trend.title} {trend.unit}",
        *(f"{s.text} at {clock(s.t)}" for s in (first, trend.lowest, trend.highest, last)),
        " ".join(sign.text for sign in trend.signs),
    )


def _course(protocol: Protocol, found: Handover) -> Table:
    calls = sorted((*found.record.events, *found.record.plans), key=lambda call: call.t)
    rows = tuple((clock(c.t), _in_course(protocol, found, c)) for c in calls)
    return Table("Course", ("at", "what"), rows)


def _in_course(protocol: Protocol, found: Handover, call: RecordedCall) -> str:
    """Return a call of the course; one that still waits says so, since it may not have been done."""
    return f"{call_in_words(protocol, call.call, call.slots)}{_still_open(protocol, found, call)}"


def _put_right(protocol: Protocol, found: Handover) -> Table:
    rows = []
    for loop in found.put_right:
        called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
        what = call_in_words(protocol, loop.call, loop.slots)
        rows.append((clock(loop.opened), what, f"read back {said}, then {called}"))
    return Table("Read-backs put right", ("at", "call", "how"), tuple(rows))


def _notes(found: Handover) -> Table:
    rows = tuple((clock(x.t), "mark" if x.kind == "mark" else "note", x.text) for x in found.notes)
    return Table("Notes and marks", ("at", "", ""), rows)


_KINDS = {
    "unanswered": "nobody read it back",
    "differs": "read-back differs",
    "open": STATE_WORDS["open"],
    "unheard": STATE_WORDS["unheard"],
    "unknown": f"entered afterwards, {STATE_WORDS['unknown']}",
    "not answered": "nobody answered",
    "to be answered": AWAITING_ANSWER,
    "answered": "waiting for the caller to confirm",
    "overdue": "not reported done, overdue",
    "pending": "not reported done yet",
    "unsure": "heard with doubt, nobody confirmed it",
    "number unclear": "an answer was heard, its number is unclear",
}


def _why(protocol: Protocol, kind: str, call: str | None) -> str:
    """Return why something is open; nobody has to read back what a bare "copy" answers."""
    if call and not wants_read_back(protocol, call):
        kind = {"unanswered": "not answered", "open": "to be answered"}.get(kind, kind)
    return _KINDS[kind]


def _open(protocol: Protocol, found: Handover) -> Table:
    rows = [
        (
            clock(point.t),
            _why(protocol, "number unclear" if point.number_unclear else point.kind, point.call),
            _point(protocol, point),
        )
        for point in found.open_points
    ]
    for left in found.lists_left:
        titles = {i.id: i.title or i.id for c in protocol.checklist for i in c.items}
        missing = ", ".join(titles.get(item, item) for item in left.missing)
        rows.append(("", "checklist not complete", f"{left.title}: {missing}"))
    return Table("Open points", ("at", "why", "what"), tuple(rows))


def _point(protocol: Protocol, point: OpenPoint) -> str:
    what = call_in_words(protocol, point.call, point.slots) if point.call else f"“{point.text}”"
    if point.unsure:
        what += f" {UNSURE_WORDS}"
    if point.differing is not None:
        what += f", read back as {slots_in_words(protocol, str(point.call), point.differing)}"
    return what
