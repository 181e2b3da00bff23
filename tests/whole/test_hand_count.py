"""A debrief's numbers are those that a person counts who has the drills' scripts before them.

The count follows from the roles, stations and windows that the drills' author wrote (`[expect]` and
`[[utterance]]` beside the sound), by a few lines of its own that use neither parser nor fold.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from grammar.protocol.loading import load_protocol
from grammar.reports.measures import (
    RESOLUTION_S,
    is_order,
    of_announcements,
    of_orders,
    share,
    times_to_read_back,
)
from listener.storage.case_reader import open_case
from tests.support.drills import HeardDrills, spoken_case, truth

DRILLS = ("faulty-drill", "well-run-drill")
ORDERS = {"radio-check", "draw-up-drug", "give-drug", "start-timer", "send-in"}
"""Calls of the protocol that ask somebody to do something, by hand."""


@dataclass
class Count:
    """Of some calls."""

    total: int = 0
    clean: int = 0
    late: int = 0
    put_right: int = 0
    by_another: int = 0
    never: int = 0
    repeated: int = 0
    directed: int = 0
    closed: int = 0


def by_hand(name: str, *, orders: bool) -> tuple[Count, list[float]]:
    """Count each call of a script, and the seconds to each right answer to it."""
    told = truth(name)
    utterances: list[dict[str, Any]] = told["utterance"]
    count, times = Count(), []
    for loop in told["expect"]["loops"]:
        if (loop["call"] in ORDERS) is not orders:
            continue
        call = next(said for said in utterances if said["t"] == loop["t"])
        after = [
            said
            for said in utterances
            if said["t"] > loop["t"] and said.get("call") == loop["call"]
        ]
        same = [said for said in after if said.get("slots", {}) == call.get("slots", {})]
        again = any(said.get("repeat") for said in same)
        never = loop["state"] == "unanswered"
        late, differed = loop["late"], loop["differed"]
        another = False
        if not never:
            answer = next(said for said in utterances if said["t"] == loop["answered"])
            another = call.get("to") not in (None, answer["from"])
            times.append(loop["answered"] - call["until"])
        count.total += 1
        count.clean += not (never or late or differed or again or another)
        count.late += late
        count.put_right += differed and not never
        count.by_another += another
        count.never += never
        count.repeated += again
        count.directed += call.get("to") is not None
        count.closed += not never
    return count, times


@pytest.mark.parametrize("name", DRILLS)
@pytest.mark.parametrize("orders", [True, False])
def test_shares_and_times_are_those_counted_by_hand(
    name: str, orders: bool, tmp_path: Path
) -> None:
    wanted, times = by_hand(name, orders=orders)
    protocol = load_protocol("isolation-airway")
    view = spoken_case(name, tmp_path).view()
    found = (of_orders if orders else of_announcements)(protocol, view)
    for share_name in (
        "clean",
        "late",
        "put_right",
        "by_another",
        "never",
        "repeated",
        "directed",
        "closed",
    ):
        counted = getattr(found, share_name)
        assert (counted.count, counted.total) == (getattr(wanted, share_name), wanted.total), (
            share_name
        )
    waited = times_to_read_back(view, lambda loop: is_order(protocol, loop) is orders)
    assert [one.seconds for one in waited if one.seen] == pytest.approx(times)


def test_the_faulty_drill_s_orders_are_these() -> None:
    """Counted once more by eye: nine orders, of them one said again, one late, one read back wrongly."""
    count, _ = by_hand("faulty-drill", orders=True)
    assert (count.total, count.clean, count.late, count.put_right, count.repeated) == (
        9,
        6,
        1,
        1,
        1,
    )
    assert share(6, 9).low == pytest.approx(0.354, abs=0.001)  # Wilson, worked out by hand
    assert share(6, 9).high == pytest.approx(0.879, abs=0.001)


@pytest.mark.slow
@pytest.mark.parametrize("name", DRILLS)
def test_times_of_what_was_heard_are_as_exact_as_the_page_says(
    name: str, heard_drill: HeardDrills
) -> None:
    """Machines' voices, heard by the quick ear; calls whose answer was heard as the script has it."""
    told = truth(name)
    ends = {said["t"]: said["until"] for said in told["utterance"]}
    errors = []
    for loop, _ in open_case(heard_drill(name).folder).view().loops:
        for wanted in told["expect"]["loops"]:
            same = wanted["call"] == loop.call and abs(wanted["t"] - loop.opened) < 1
            if not same or loop.answered is None or "answered" not in wanted:
                continue
            if abs(loop.answered - wanted["answered"]) < 1:
                true = wanted["answered"] - ends[wanted["t"]]
                errors.append(loop.answered - loop.ended - true)
    print(
        f"{name}: {len(errors)} times, {min(errors):.2f} to {max(errors):.2f} s longer than the truth"
    )
    assert len(errors) >= 20
    assert max(map(abs, errors)) < RESOLUTION_S
