"""All measures of one case, together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from grammar.case.airway_record import Attempt, record_of
from grammar.case.facts import Fact
from grammar.case.view import View
from grammar.protocol.model import Protocol
from grammar.reports.measures.shares import (
    Communication,
    by_call,
    by_station,
    is_order,
    of_announcements,
    of_orders,
)
from grammar.reports.measures.signs import Below, Sign, signs, thresholds
from grammar.reports.measures.speech import Speech, speech
from grammar.reports.measures.stretches import Measured, measured, phases
from grammar.reports.measures.times import (
    Observation,
    done_closed_and_not,
    times_to_read_back,
)


@dataclass(frozen=True, slots=True)
class Measures:
    """One case in numbers, at `now` seconds on its clock."""

    now: float
    orders: Communication
    others: Communication
    """Of announcements and reports that want an answer."""
    by_sender: Mapping[str, Communication]
    """Of the orders a station gave; under "" those whose speaker nobody knows."""
    by_addressee: Mapping[str, Communication]
    """Of the orders addressed to a station; under "" those addressed to nobody."""
    by_call: Mapping[str, Communication]
    read_back: tuple[Observation, ...]
    """Of orders."""
    read_back_others: tuple[Observation, ...]
    done: tuple[Observation, ...]
    done_closed: tuple[Observation, ...]
    done_not_closed: tuple[Observation, ...]
    measured: tuple[Measured, ...]
    """Waits, limits and other times that the protocol names."""
    phases: tuple[Measured, ...]
    attempts: tuple[Attempt, ...]
    """With their lengths and the lowest values during each, as in the record."""
    signs: tuple[Sign, ...]
    below: Mapping[str, Below]
    """By vital sign, where the protocol names a threshold."""
    speech: Speech


def measure(protocol: Protocol, view: View, facts: Iterable[Fact]) -> Measures:
    """Return everything measured of the case at the view's moment; `facts` are the case's own."""
    done, closed, not_closed = done_closed_and_not(view)
    return Measures(
        now=view.now,
        orders=of_orders(protocol, view),
        others=of_announcements(protocol, view),
        by_sender=by_station(protocol, view, "sender"),
        by_addressee=by_station(protocol, view, "to"),
        by_call=by_call(view),
        read_back=tuple(times_to_read_back(view, lambda loop: is_order(protocol, loop))),
        read_back_others=tuple(times_to_read_back(view, lambda loop: not is_order(protocol, loop))),
        done=tuple(done),
        done_closed=tuple(closed),
        done_not_closed=tuple(not_closed),
        measured=measured(protocol, view),
        phases=phases(protocol, view),
        attempts=record_of(protocol, view).attempts,
        signs=signs(view),
        below=thresholds(protocol, view),
        speech=speech(view, facts),
    )
