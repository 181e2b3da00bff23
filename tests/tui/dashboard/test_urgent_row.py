"""The most urgent thing on one row says what is wrong in every width."""

from __future__ import annotations

import pytest

from tui.dashboard.widgets.urgent import in_a_row
from tui.text.urgent import CALLED, Urgent

DIFFERS = Urgent(
    "differs",
    "Give ketamine 90 mg",
    f"READ BACK rocuronium 15 mg{CALLED}ketamine 90 mg",
    "Drugs nurse",
    58.0,
)
UNANSWERED = Urgent("unanswered", "Send in bougie and second tube", "UNANSWERED", "Anteroom", 18.0)


@pytest.mark.parametrize("width", range(60, 201, 7))
@pytest.mark.parametrize(
    ("found", "wrong"), [(DIFFERS, "READ BACK rocuronium 15 mg"), (UNANSWERED, "UNANSWERED")]
)
def test_what_is_wrong_and_for_how_long_is_never_cut(found: Urgent, wrong: str, width: int) -> None:
    row = in_a_row(found, width).plain
    assert len(row) <= width
    assert wrong in row
    assert row.endswith("00:58" if found is DIFFERS else "00:18")


def test_where_there_is_room_all_is_said() -> None:
    row = in_a_row(DIFFERS, 120).plain
    assert "→ Drugs nurse" in row and f"{CALLED}ketamine 90 mg" in row
