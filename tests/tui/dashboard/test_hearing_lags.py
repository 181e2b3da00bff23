"""While hearing lags behind the case's clock nothing on the screen reassures, and nobody is accused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grammar.case.facts import CaseEnded
from grammar.case.view import USUAL_LAG_S, HeardUpTo, View
from tests.support.screens import case, desk, heard, protocol, status
from tui.dashboard.widgets.calls import WaitingCall, card
from tui.listening.prompts import due
from tui.pages.handover import handover_page
from tui.text.urgent import most_urgent
from tui.text.wording import NOT_HEARD_YET

CALL = heard(10, "anteroom send in the bougie", "team-leader")
DRAW = heard(10, "drugs nurse draw up seventy milligrams of ketamine", "team-leader")


def lagging(now: float, up_to: float, *facts: object) -> View:
    return case(*facts).view(now, HeardUpTo(up_to, up_to))  # type: ignore[arg-type]


def test_a_call_is_unanswered_only_once_its_window_has_been_heard_to_its_end() -> None:
    deadline = case(CALL).view(11).loops[0][0].deadline
    told = {}
    for up_to in (12.0, deadline, deadline + 0.1):
        ((_, told[up_to]),) = lagging(100, up_to, CALL).loops
    assert told == {12.0: "unheard", deadline: "unheard", deadline + 0.1: "unanswered"}
    ((_, state),) = case(CALL).view(100).loops
    assert state == "unanswered", "a stored case is judged by its last moment"


def test_speech_that_goes_on_may_be_the_answer() -> None:
    deadline = case(CALL).view(11).loops[0][0].deadline
    ((_, state),) = case(CALL).view(deadline + 2, HeardUpTo(deadline + 2, deadline - 1)).loops
    assert state == "unheard"


@pytest.mark.parametrize("up_to", [12.0, 300.0])
def test_an_order_is_not_called_overdue_before_its_report_could_be_heard(up_to: float) -> None:
    found = case(DRAW, heard(16, "drawing up seventy milligrams of ketamine", "drugs-nurse"))
    view = found.view(300, HeardUpTo(up_to, up_to))
    late = [finding.rule for finding in view.findings]
    assert ("task-overdue" in late) is (up_to == 300.0)
    assert (most_urgent(found.protocol, view).kind == "overdue") is (up_to == 300.0)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_nothing_reassures_while_sound_is_unheard(size: tuple[int, int]) -> None:
    async with desk(case(heard(3, "saturation ninety one")), 286, size=size) as seen:
        assert "heard up to" not in await seen.text()
        assert "Every call is answered" in await seen.text()
        seen.heard = HeardUpTo(160, 160)
        text = await seen.text()
        assert "Heard up to 02:40: later calls are not known yet" in text
        assert "Every call is answered" not in text
        assert "No call waits" not in text
        assert "as heard up to 02:40" in text
        seen.heard = HeardUpTo(286 - USUAL_LAG_S, 286 - USUAL_LAG_S)
        assert "Every call is answered" in await seen.text(), "as usual"


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_an_answer_that_is_not_heard_yet_accuses_nobody_anywhere(
    size: tuple[int, int],
) -> None:
    async with desk(case(CALL), 60, size=size) as seen:
        seen.heard = HeardUpTo(15, 15)
        text = await seen.text()
        assert "UNANSWERED" not in text
        assert "nobody within" not in text
        assert NOT_HEARD_YET in text.partition("WAITING")[0]
        # On the urgent line, on the card, and in the log, where the row may end within it.
        log = text.partition("\n LOG")[2]
        assert text.count(NOT_HEARD_YET) >= 2
        assert "awaiting, not" in log and "that far yet" in log
        assert due(seen.case.protocol, seen.case.view(60, seen.heard)) == ()
        seen.heard = None
        assert "UNANSWERED" in await seen.text()
        assert due(seen.case.protocol, seen.case.view(60))


@pytest.mark.parametrize(("rows", "width"), [(1, 52), (1, 74), (2, 44), (2, 52), (2, 74)])
def test_a_card_says_in_every_size_that_it_is_not_heard_that_far(rows: int, width: int) -> None:
    ((loop, state),) = lagging(60, 15, CALL).waiting
    drawn = card(WaitingCall(protocol(), loop, state, now=60), rows, width)
    assert NOT_HEARD_YET in drawn[0].plain


def test_the_handover_says_up_to_where_it_is_heard_and_is_not_called_complete() -> None:
    view = lagging(286, 160, CALL)
    page = handover_page(protocol(), view)
    assert page.about[0] == "NOT COMPLETE: heard up to 02:40, nothing after it is in this"
    whole = handover_page(protocol(), case(CALL).view(286))
    assert not any("heard up to" in line for line in whole.about)
    shown = handover_page(protocol(), lagging(286, 15, CALL))
    (points,) = (table for table in shown.tables if table.title == "Open points")
    assert any(NOT_HEARD_YET in cell for row in points.rows for cell in row)


async def test_the_end_of_the_sound_is_said_and_what_is_still_to_be_heard() -> None:
    over = replace(status(), unheard_s=132.0)
    async with desk(case(CALL), 335, told=over) as seen:
        seen.heard = HeardUpTo(203, 203)
        text = await seen.text()
        assert "RECORDING ON" not in text
        assert "listening" not in text.splitlines()[1]
        assert "SOUND IS OVER, 132 s still to be heard" in text
        await seen.pilot.press("q")
        text = " ".join((await seen.text()).split())
        assert "132 s of its sound are not heard yet (heard up to 03:23)" in text
        assert "Esc waits" in text and "w waits" not in text, "it is over: all is waiting"
        await seen.pilot.press("escape")
        seen.heard, seen.status = None, status()
        assert "RECORDING ON" in await seen.text()
        await seen.pilot.press("q")
        assert "It is still being heard." in await seen.text()


def test_an_ended_case_is_judged_whole() -> None:
    ((_, state),) = case(CALL, CaseEnded(t=60)).view(60).loops
    assert state == "unanswered"


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
@pytest.mark.parametrize("recorded", [True, False])
async def test_who_ends_a_case_that_is_not_heard_to_its_end_is_told_and_may_wait(
    size: tuple[int, int], recorded: bool
) -> None:
    async with desk(case(CALL), 335, size=size, told=status(recording=recorded)) as seen:
        seen.heard = HeardUpTo(203, 203)
        await seen.pilot.press("q")
        text = " ".join((await seen.text()).split())
        assert "132 s of its sound are not heard yet (heard up to 03:23)" in text
        assert "w waits: no more sound is taken, the rest is heard, then the case ends" in text
        assert ("`answerback rehear` hears it" in text) is recorded
        assert ("LOST" in text) is not recorded
        seen.heard = HeardUpTo(215, 215)
        text = " ".join((await seen.text()).split())
        assert "120 s of its sound are not heard yet (heard up to 03:35)" in text, "it goes on"
        await seen.pilot.press("w")
        assert seen.calls == ["start", "hear out"], "the screen stays"
        assert "no more sound is taken" in await seen.text()
        seen.status, seen.heard = status(recording=recorded, unheard_s=97.0), HeardUpTo(238, 238)
        assert "SOUND IS OVER, 97 s still to be heard" in await seen.text()
        await seen.pilot.press("q", "w")
        assert seen.calls == ["start", "hear out"]
        await seen.pilot.press("q")
    assert seen.calls == ["start", "hear out", "stop"]
