"""The card of a call that waits says how long is left in every width of the column."""

from __future__ import annotations

import pytest

from tests.support.screens import case, heard
from tui.dashboard.widgets.calls import ROOMY, card


@pytest.mark.parametrize("rows", [2, 3])
@pytest.mark.parametrize("width", range(44, ROOMY))
def test_the_time_that_is_left_is_never_cut(width: int, rows: int) -> None:
    found = case(heard(10, "drugs nurse draw up seventy milligrams of ketamine", "team-leader"))
    ((loop, state),) = found.view(14.0).waiting
    head, *_ = (line.plain for line in card(found.protocol, loop, state, 14.0, rows, width))
    assert len(head) == width
    assert head.rstrip().endswith(" left")
    assert "…" not in head
