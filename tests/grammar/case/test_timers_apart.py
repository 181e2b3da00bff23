"""Two timers as long as each other are told apart, wherever they stand."""

from __future__ import annotations

import pytest

from grammar.case.facts import Entered, Fact, TimerChanged
from tests.support.screens import ShownCase, case, desk, heard

CALLED = heard(25, "timer three minutes", "team-leader")
BACK = heard(30, "three minutes", "outside")
OWN = Entered(t=61, call="start-timer", slots=(("duration_s", 180.0),))
"""Facts 2 to 4 of an invented case."""
LONGER = TimerChanged(t=70, timer=2, change="extend", seconds=60)
OVER = heard(300, "timer complete", "outside")


def shown(seen: ShownCase) -> str:
    return str(seen.app.box.content)


async def test_the_strip_says_which_was_called_when_and_which_was_started_by_hand() -> None:
    async with desk(case(CALLED, BACK, OWN), 80) as seen:
        text = await seen.text()
    assert text.count("running 3 min") == 2
    assert "from 00:25" in text
    assert "by hand 01:01" in text


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 48)])
async def test_a_timer_made_longer_says_so(size: tuple[int, int]) -> None:
    async with desk(case(CALLED, BACK, OWN, LONGER), 80, size) as seen:
        text = await seen.text()
        await seen.pilot.press("t")
        assert "3 min by hand 01:01  02:41 left" in shown(seen)
        assert "3 min + 60 s from 00:25  03:06 left" in shown(seen)
    assert ("also 4 min from 00:25: 03:06" if size == (80, 24) else "running 4 min") in text


async def test_one_timer_says_all_on_one_row() -> None:
    async with desk(case(CALLED), 80, (80, 24)) as seen:
        assert "running 3 min, from 00:25" in await seen.text()


@pytest.mark.parametrize(
    ("before", "over"),
    [((), "timer 3 min from 00:25"), ((LONGER,), "timer 3 min by hand 01:01")],
)
async def test_the_log_says_which_timer_was_called_complete(
    before: tuple[Fact, ...], over: str
) -> None:
    async with desk(case(CALLED, BACK, OWN, *before, OVER), 310, (160, 40)) as seen:
        assert f"timer complete ({over})" in await seen.text()


async def test_a_timer_of_ones_own_and_its_undo_are_told_as_what_they_are() -> None:
    async with desk(case(), 60, (120, 30)) as seen:
        await seen.text()
        await seen.pilot.press(*"tn3m", "enter")
        assert [line.text for line in seen.case.view(60).log if line.kind == "hand"] == []
        seen.now = 70
        await seen.pilot.press("u")
        assert "taken back: entry Timer 3 min" in await seen.text()
        told = [line.text for line in seen.case.view(70).log if line.kind == "hand"]
        assert told == ["taken back: entry Timer 3 min"]
        assert seen.case.view(70).timers == ()
        await seen.pilot.press("u")
        assert "nothing is left to take back" in await seen.text()


async def test_a_timer_of_ones_own_closes_no_call_that_waits() -> None:
    async with desk(case(heard(55, "timer three minutes", "team-leader")), 60) as seen:
        await seen.text()
        await seen.pilot.press(*"tn3m", "enter")
        assert "runs already" in shown(seen)
        await seen.pilot.press(*"90", "enter")
        view = seen.case.view(60)
    assert [timer.duration_s for timer, _ in view.timers] == [180, 90]
    # Nobody called the timer of one's own: it is no loop that a measure might count.
    assert [state for _, state in view.loops] == ["open"]


def test_a_timer_that_was_not_complete_after_all_runs_on() -> None:
    again = case(CALLED, BACK, OWN, OVER, heard(303, "disregard", "outside"))
    assert [timer.completed for timer, _ in again.view(310).timers] == [None, None]


def test_stopping_and_lengthening_tell_which_in_the_log() -> None:
    stop = TimerChanged(t=75, timer=4, change="stop")
    lines = [line.text for line in case(CALLED, BACK, OWN, LONGER, stop).view(80).log]
    assert "timer from 00:25 made 60 s longer: now 4 min" in lines
    assert "timer stopped: 3 min by hand 01:01" in lines
