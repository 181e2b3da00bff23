"""Slips of a fourth newcomer: what is open at the end, and whose timer a "timer complete" means."""

from __future__ import annotations

import re
from dataclasses import replace

from grammar.case.facts import AnsweredByHand, Entered, Fact
from tests.support.screens import case, desk, heard, protocol
from tui.text.urgent import most_urgent

ORDER = heard(10, "drugs nurse give fentanyl one hundred micrograms")
READ_BACK = heard(16, "fentanyl one hundred micrograms")
TIMER = heard(2, "outside start the timer three minutes")
STARTED = heard(6, "three minutes running")
OWN: tuple[Fact, ...] = (
    Entered(t=20.0, call="start-timer", slots=(("duration_s", 60.0),)),
    AnsweredByHand(t=20.0, loop=4, own_timer=True),
)


def test_a_timer_complete_ends_the_called_timer_and_not_one_of_the_recorder_s_own() -> None:
    """The own one was due first: what the team calls complete is what the team called."""
    view = case(TIMER, STARTED, *OWN, heard(183, "timer complete")).view(184.0)
    by_hand = {timer.own: state for timer, state in view.timers}
    assert by_hand == {False: "complete", True: "done"}


def test_where_only_an_own_timer_runs_a_timer_complete_means_it() -> None:
    own = (OWN[0], AnsweredByHand(t=20.0, loop=2, own_timer=True))
    view = case(*own, heard(82, "timer complete")).view(84.0)
    assert [state for _, state in view.timers] == ["complete"]


def test_an_own_timer_that_is_up_stands_below_an_order_that_is_overdue() -> None:
    shown = case(ORDER, READ_BACK, OWN[0], AnsweredByHand(t=20.0, loop=4, own_timer=True))
    found = most_urgent(shown.protocol, shown.view(200.0))
    assert found.kind == "overdue"


async def test_the_question_at_the_end_says_what_is_still_open() -> None:
    async with desk(case(ORDER, READ_BACK), 200.0, size=(80, 24)) as seen:
        await seen.pilot.press("q")
        text = await seen.text()
        assert "END THE CASE?" in text
        assert "Still open: 1 order is not reported done." in text
    async with desk(case(heard(10, "stand by")), 20.0, size=(80, 24)) as seen:
        await seen.pilot.press("q")
        assert "Still open" not in await seen.text()


async def test_every_call_is_answered_is_not_said_while_a_doubtful_one_waits() -> None:
    doubtful = heard(10, "heart rate sixteen", confidence=0.3)
    async with desk(case(doubtful), 20.0) as seen:
        text = await seen.text()
        assert "Every call is answered" not in text
        assert "1 unsure: choose what was said" in text


async def test_what_counts_for_nothing_yet_is_not_said_to_stand_as_a_call() -> None:
    order = "drugs nurse give seventy milligrams of ketamine"
    async with desk(case(heard(10, order, "team-leader", 0.3)), 20, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("a")
        assert "right as heard" in str(seen.app.box.content)
        await seen.pilot.press("2")
        shown = str(seen.app.box.content)
        assert "stands as" not in shown
        as_heard = "heard as        ORDER: Give ketamine 70 mg, which counts for nothing yet"
        assert as_heard in shown
        assert "WILL COUNT AS   ORDER: Give ketamine 17 mg" in shown


async def test_a_handover_that_stands_open_goes_on_with_the_case_and_says_as_of_when() -> None:
    order = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
    given = heard(40, "seventy milligrams of ketamine given", "drugs-nurse")
    async with desk(case(order), 30, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("o")
        shown = str(seen.app.box.content)
        assert "TO READ OUT, as of 00:30" in shown
        assert "00:40" not in shown
        seen.case.add(replace(given, seq=len(seen.case.facts) + 1))
        await seen.at(45)
        shown = str(seen.app.box.content)
        assert "TO READ OUT, as of 00:45" in shown
        assert "00:40" in shown


async def test_who_has_scrolled_down_in_a_handover_stays_where_they_read() -> None:
    said = [heard(10 + 5 * n, "seventy milligrams of ketamine given") for n in range(8)]
    async with desk(case(*said), 60, (80, 24)) as seen:
        await seen.text()
        await seen.pilot.press("o", "down", "down")
        top = str(seen.app.box.content).splitlines()[1]
        seen.case.add(
            replace(heard(60, "drugs nurse give one hundred micrograms of fentanyl"), seq=10)
        )
        await seen.at(64)
        assert "as of 01:04" in str(seen.app.box.content)
        assert str(seen.app.box.content).splitlines()[1] == top


async def test_no_item_of_a_checklist_has_the_letter_that_takes_a_tick_back() -> None:
    lists = [
        each.model_copy(
            update={
                "items": tuple(
                    item.model_copy(update={"title": f"U{item.title}"}) for item in each.items
                )
            }
        )
        for each in protocol().checklist
    ]
    rules = protocol().model_copy(update={"checklist": tuple(lists)})
    async with desk(case(rules=rules), 20, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("k")
        found = re.findall(r"^.(.) \[ \]", str(seen.app.box.content), re.MULTILINE)
        assert len(found) == sum(len(each.items) for each in lists)
        assert "u" not in found
