"""A dialog covers neither the most urgent thing, nor the waiting calls, nor the newest lines of the log."""

from __future__ import annotations

import pytest

from tests.support.screens import case, desk, heard, note
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.unsure import UnsureStrip

ORDER = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
WRONG = heard(14, "seventeen milligrams of ketamine", "drugs-nurse")
TUBE = heard(20, "airway operator tube size eight", "team-leader")
DOUBTFUL = heard(30, "heart rate ninety", None, 0.2)
LAST = (note(40, "the line before"), note(41, "the newest line"))
DIALOGS = {
    "a call": "c",
    "the value of a call": "cgk",
    "a vital sign": "v",
    "an answer": "h",
    "put right": "a",
    "its words": "ae",
    "a guess": "1",
    "who spoke": "s",
    "a note": "n",
    "the timers": "t",
    "the checklist": "k",
    "the weight": "w",
    "the handover": "o",
    "the end": "q",
}


@pytest.mark.parametrize("keys", DIALOGS.values(), ids=DIALOGS)
@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])
async def test_the_last_lines_and_the_waiting_calls_stay_in_sight(
    keys: str, size: tuple[int, int]
) -> None:
    async with desk(case(ORDER, WRONG, TUBE, DOUBTFUL, *LAST), 45, size) as seen:
        await seen.text()
        await seen.pilot.press(*keys)
        assert seen.app.box.dialog is not None
        above = (await seen.text()).split("╭")[0]
        assert "READ BACK 17 mg" in above
        assert "WAITING 2" in above
        assert "DIFFERS 00:" in above or "read-back is not the call" in above
        assert "the line before" in above
        assert "the newest line" in above


async def test_all_is_as_it_was_when_the_dialog_is_gone() -> None:
    async with desk(case(ORDER, WRONG, TUBE, DOUBTFUL, *LAST), 45, (80, 24)) as seen:
        before = await seen.text()
        for keys in DIALOGS.values():
            await seen.pilot.press(*keys)
            await seen.pilot.press("escape")
            assert await seen.text() == before, keys


async def test_the_numbers_of_the_strip_keep_their_utterances_behind_a_dialog() -> None:
    more = [
        heard(30 + at, f"heart rate {n}", None, 0.2) for at, n in enumerate(("ninety", "sixty"))
    ]
    async with desk(case(*more), 45, (80, 24)) as seen:
        await seen.text()
        strip = seen.app.query_one(UnsureStrip)
        before = [strip.at(0), strip.at(1)]
        await seen.pilot.press("c")
        await seen.text()
        await seen.text()
        await seen.pilot.press("escape")
        await seen.text()
        assert [strip.at(0), strip.at(1)] == before
        assert strip.display
        assert seen.app.query_one(RunningLog).size.height >= 3


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
async def test_each_of_three_waiting_calls_stands_above_the_handover(
    size: tuple[int, int],
) -> None:
    bougie = heard(24, "anteroom send in the bougie", "airway-operator")
    async with desk(case(ORDER, WRONG, TUBE, bougie, *LAST), 45, size) as seen:
        await seen.text()
        await seen.pilot.press("o")
        above = (await seen.text()).split("╭")[0]
        for called in ("Give ketamine 70 mg", "Tube size 8 mm", "Send in bougie"):
            assert called in above
        assert "more waiting" not in above
        assert "the newest line" in above
