"""The record of a case for its debrief: airway, attempts, course."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.case.airway_record import Record
from grammar.case.recorded import RecordedCall
from grammar.protocol.model import Protocol
from tui.pages.debrief.capping import first_rows
from tui.pages.debrief.content import Cell, Grid, Part, plain
from tui.text.wording import call_in_words, call_title, clean, clock, duration, slots_in_words


def recorded(protocol: Protocol, record: Record) -> Iterator[Part]:
    """Yield the airway, each attempt on it, and the course."""
    said = (
        ("Device", "device", record.device),
        ("View", "view", record.view),
        ("Tube size", "size", record.size),
        ("Depth", "depth", record.depth),
        ("Capnography confirmed", "confirmed", record.confirmed),
    )
    sayable = {call.record for call in protocol.call}
    rows = [
        (plain(name), *_recorded(protocol, call)) for name, role, call in said if role in sayable
    ]
    rows += [
        (
            plain(f"Lowest {clean(sign.title)}"),
            Cell(f"{sign.text} {clean(sign.unit)}", (sign.fact,)),
            Cell(clock(sign.t), (sign.fact,)),
        )
        for sign in record.lowest
    ]
    yield Grid("Airway", ("", "", "at"), tuple(rows))
    yield Grid(
        "Attempts on the airway",
        ("attempt", "from", "length", "device", "outcome", "lowest"),
        tuple(
            (
                Cell(str(each.number), each.facts),
                plain("not said")
                if each.began is None
                else Cell(clock(each.began), each.facts[:1]),
                plain("")
                if each.length_s is None
                else Cell(duration(round(each.length_s)), each.facts),
                _recorded(protocol, each.device)[0],
                plain(call_title(protocol, each.placed.call) if each.placed else each.outcome),
                Cell(
                    ", ".join(f"{sign.text} {clean(sign.unit)}" for sign in each.lowest),
                    tuple(sign.fact for sign in each.lowest),
                ),
            )
            for each in record.attempts
        ),
    )
    course = sorted((*record.events, *record.plans), key=lambda call: call.t)
    yield Grid(
        "Course",
        ("at", "what"),
        tuple(
            (
                Cell(clock(call.t), (call.fact,)),
                Cell(call_in_words(protocol, call.call, call.slots), (call.fact,)),
            )
            for call in first_rows(course)
        ),
        of=len(course),
    )


def _recorded(protocol: Protocol, call: RecordedCall | None) -> tuple[Cell, Cell]:
    if call is None:
        return plain("not said"), plain("")
    words = slots_in_words(protocol, call.call, call.slots)
    return Cell(words or "yes", (call.fact,)), Cell(clock(call.t), (call.fact,))
