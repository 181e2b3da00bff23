"""The most urgent thing on one row says what is wrong in every width."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tui.dashboard.widgets.urgent import in_a_row
from tui.text.urgent import CALLED, Urgent
from tui.text.wording import UNCLEAR_WORDS

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


def test_sooner_than_the_call_is_cut_the_words_of_a_number_that_is_unclear_go() -> None:
    found = replace(DIFFERS, what=f"{DIFFERS.what} {UNCLEAR_WORDS}", to="")
    without = f"{DIFFERS.what}  READ BACK rocuronium 15 mg"
    row = in_a_row(found, len(f" ≠  {without}  00:58")).plain
    assert row == f" ≠  {without}  00:58"
