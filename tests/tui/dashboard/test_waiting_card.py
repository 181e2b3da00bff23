"""The card of a call that waits says how long is left in every width of the column."""

from __future__ import annotations

import pytest

from tests.support.screens import case, heard
from tui.dashboard.widgets.calls import ROOMY, WaitingCall, card
from tui.text.wording import STATE_MARKS, clock


@pytest.mark.parametrize("rows", [2, 3])
@pytest.mark.parametrize("width", range(44, ROOMY))
def test_the_time_that_is_left_is_never_cut(width: int, rows: int) -> None:
    found = case(heard(10, "drugs nurse draw up seventy milligrams of ketamine", "team-leader"))
    ((loop, state),) = found.view(14.0).waiting
    head, *_ = (
        line.plain for line in card(WaitingCall(found.protocol, loop, state, now=14.0), rows, width)
    )
    assert len(head) == width
    assert head.rstrip().endswith(" left")
    assert "…" not in head


@pytest.mark.parametrize("now", [14.0, 60.0])
@pytest.mark.parametrize("width", range(44, ROOMY))
@pytest.mark.parametrize(
    ("called", "sender", "dose"),
    [
        ("drugs nurse give ninety milligrams of ketamine", "team-leader", "ketamine 90 mg"),
        (
            "drugs nurse give one hundred milligrams of suxamethonium",
            "team-leader",
            "suxamethonium 100 mg",
        ),
        (
            "one hundred micrograms of fentanyl given",
            "drugs-nurse",
            "fentanyl 100 microgram",
        ),
    ],
)
def test_the_dose_is_never_cut_on_a_card_of_one_row(
    called: str, sender: str, dose: str, width: int, now: float
) -> None:
    found = case(heard(10, called, sender))
    ((loop, state),) = found.view(now).waiting
    (row,) = (
        line.plain for line in card(WaitingCall(found.protocol, loop, state, now=now), 1, width)
    )
    assert dose in row
    # A report of what was given is no order.
    assert ("REPORT: " in row) is called.endswith("given")
    assert STATE_MARKS[state] in row


@pytest.mark.parametrize("width", range(44, ROOMY))
@pytest.mark.parametrize(
    ("called", "values"),
    [
        ("drugs nurse give fifteen micrograms of fentanyl", "fentanyl 15 microgram (unsure)"),
        ("drugs nurse give seventy milligrams of ketamine", "ketamine 70 mg (unsure)"),
    ],
)
def test_the_age_stands_on_a_card_of_one_row_beside_the_dose_and_its_doubt(
    called: str, values: str, width: int
) -> None:
    found = case(heard(10, called, "team-leader", 0.2))
    ((loop, state),) = found.view(75.0).waiting
    (row,) = (
        line.plain for line in card(WaitingCall(found.protocol, loop, state, now=75.0), 1, width)
    )
    assert row.startswith(f" {STATE_MARKS[state]} ")
    assert clock(loop.age(75.0)) in row
    assert values in row
