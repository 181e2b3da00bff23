"""A weight that may be a slip of the hand is asked about."""

from __future__ import annotations

import pytest

from tests.support.screens import protocol
from tui.text.moment import past_moment
from tui.text.weights import unusual_weight


@pytest.mark.parametrize(
    ("kg", "before", "odd"), [(7, None, True), (70, None, False), (7, 70, True)]
)
def test_seven_for_seventy_is_asked_about(kg: float, before: float | None, odd: bool) -> None:
    assert bool(unusual_weight(protocol(), kg, before)) is odd


def test_a_weight_near_the_one_before_is_taken() -> None:
    assert unusual_weight(protocol(), 75, 70) == ""


@pytest.mark.parametrize(
    ("text", "then"),
    [("now", 100), ("", 100), ("1m", 40), ("90s ago", 10), ("1m30", 10), ("0:15", 15)],
)
def test_a_time_in_the_past_as_people_write_it(text: str, then: float) -> None:
    assert past_moment(text, 100) == then


@pytest.mark.parametrize("text", ["soon", "5m", "3:00", "2:75"])
def test_a_time_to_come_or_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no time|is not in the past|what\?"):
        past_moment(text, 100)
