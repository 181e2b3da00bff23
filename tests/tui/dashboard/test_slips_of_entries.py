"""Slips at an entry by hand, each made by somebody who had never seen the program: nothing is stored that
was not meant, and nothing typed is lost without a word."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from grammar.case.facts import (
    AnsweredByHand,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Entered,
    Heard,
)
from grammar.case.fold import Case
from grammar.language.words import Word
from grammar.reports.measures.shares import communication
from grammar.reports.measures.times import times_to_read_back
from tests.support.screens import ShownCase, case, desk, heard, protocol, status
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.typing_guard import HELD, REFUSED_S, TYPING_S
from tui.dashboard.widgets.urgent import UrgentLine
from tui.pages.handover import handover_page

GIVEN = heard(10, "seventy milligrams of ketamine given", "drugs-nurse")


def shown(seen: ShownCase) -> str:
    return " ".join(str(seen.app.box.content).split())


def stored(seen: ShownCase) -> list[str]:
    return [fact.kind for fact in seen.case.facts[1:] if not isinstance(fact, Heard)]


# ---------------------------------------------------------------- a drug that nobody named


async def test_enter_in_the_list_of_drugs_says_that_one_is_wanted_and_stores_nothing() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("c", "i", "enter")
        assert "▶" not in shown(seen)
        assert "a drug is wanted" in shown(seen)
        await seen.pilot.press("7")
        assert 'no letter "7" stands here' in shown(seen)
        await seen.pilot.press("0", "enter")
        assert "a drug is wanted" in shown(seen)
        assert stored(seen) == []


async def test_enter_takes_the_drug_that_is_marked() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("c", "i", "down", "enter", "7", "0", "enter")
        assert "WILL BE STORED" in shown(seen)
        assert "ketamine 70 mg" in shown(seen)


async def test_a_report_without_a_drug_is_questioned_and_takes_enter_twice() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("c", "i", "enter")
        for wanted in ("no drug is named", "Enter again if that is meant"):
            await seen.read_and_enter()
            assert wanted in shown(seen)
            assert stored(seen) == []
        await seen.read_and_enter()
        assert stored(seen) == ["entered"]


async def test_digits_that_nothing_takes_are_told_and_hold_the_next_enter() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cik70", "enter", "8", "0")
        assert '"80" is not taken' in shown(seen)
        await seen.read_and_enter()
        assert '"80" was typed and is not in it' in shown(seen)
        assert stored(seen) == []
        await seen.read_and_enter()
        assert stored(seen) == ["entered"]


# ---------------------------------------------------------------- a call for help by a digit


@pytest.mark.parametrize("typed", ["7", "70"])
async def test_a_digit_stores_no_call_for_help(typed: str) -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("c", *typed)
        assert "WILL BE STORED" in shown(seen)
        assert "Help needed" in shown(seen)
        assert stored(seen) == []
        assert ('"0" is not taken' in shown(seen)) == (typed == "70")


async def test_a_call_for_help_by_its_digit_takes_one_enter() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("c", "7", "enter")
        assert [fact.call for fact in seen.case.facts if isinstance(fact, Entered)] == [
            "help-needed"
        ]


# ---------------------------------------------------------------- one dose told twice


@pytest.mark.parametrize(("now", "told"), [(60, True), (309, True), (400, False)])
async def test_an_equal_dose_of_the_last_five_minutes_is_told_before_it_is_stored(
    now: float, told: bool
) -> None:
    async with desk(case(GIVEN), now, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cik70", "enter")
        assert ("ketamine 70 mg stands already at 00:10" in shown(seen)) is told
        await seen.wait(BOUNCE_S)
        await seen.pilot.press("enter")
        assert stored(seen) == ([] if told else ["entered"])


async def test_another_dose_and_an_order_are_no_dose_told_twice() -> None:
    for keys in ("cik80", "cgk70"):
        async with desk(case(GIVEN), 60, (120, 40)) as seen:
            await seen.text()
            await seen.pilot.press(*keys, "enter")
            assert "stands already" not in shown(seen)


# ---------------------------------------------------------------- when an answer was heard

ORDER = heard(10, "airway operator tube size eight", "team-leader")
DOUBTFUL = heard(20, "heart rate sixteen", None, 0.2)


def chatter(t: float) -> Heard:
    return Heard(t=t, until=t + 1, words=(Word("[unk]", t, t + 1, 0.9),))


@pytest.mark.parametrize(
    ("since", "answered_at"),
    [(chatter(14), 14), (chatter(108), 120), (heard(14, "heart rate sixteen", None, 0.2), 120)],
)
async def test_an_answer_is_as_old_as_speech_only_where_that_may_have_been_it(
    since: Heard, answered_at: float
) -> None:
    async with desk(case(ORDER, since), 120, (80, 24)) as seen:
        await seen.text()
        await seen.pilot.press("h", "1")
        found = [fact.t for fact in seen.case.facts if isinstance(fact, AnsweredByHand)]
        assert found == [answered_at]
        told = await seen.text()
        assert f"answer heard at {answered_at // 60:02}:{answered_at % 60:02}" in told
        assert "(u takes it back)" in told


# ---------------------------------------------------------------- after the end of a case


def ended_case() -> Case:
    """An invented case from 13:00:00 that ended after two minutes."""
    made = Case(protocol())
    made.add(
        CaseStarted(seq=1, wall="2025-01-01T13:00:00", protocol="isolation-airway", weight_kg=70)
    )
    made.add(CaseEnded(seq=2, t=120))
    return made


async def test_a_past_time_stands_beside_the_time_of_day_that_the_case_had_then() -> None:
    async with desk(ended_case(), 120, (120, 40), told=status(ended=True)) as seen:
        await seen.text()
        await seen.pilot.press(*"cik70", "tab", "tab", "tab", "1", "m", "enter", "enter")
        assert "at 01:00 (13:01:00 by the clock)" in shown(seen)


async def test_an_entry_after_the_end_says_that_its_time_is_the_end() -> None:
    async with desk(ended_case(), 120, (120, 40), told=status(ended=True)) as seen:
        await seen.text()
        await seen.pilot.press(*"cik70", "enter")
        assert "the case has ended: its end is the time of this" in shown(seen)
        await seen.read_and_enter()
        assert "at the end of the case, 02:00" in await seen.text()


# ---------------------------------------------------------------- text typed where nothing is open


async def test_a_digit_after_a_refused_key_opens_no_doubtful_value() -> None:
    async with desk(case(DOUBTFUL), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("h", "1", "enter")
        assert seen.app.box.dialog is None
        assert f"1 {HELD}" in await seen.text()
        assert not [fact for fact in seen.case.facts if isinstance(fact, Confirmed)]
        await seen.wait(REFUSED_S)
        await seen.pilot.press("1")
        assert seen.app.box.dialog is not None


async def test_digits_of_typed_text_open_no_doubtful_value() -> None:
    async with desk(case(DOUBTFUL), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("b", "space", "1", "enter")
        assert seen.app.box.dialog is None
        await seen.wait(REFUSED_S + TYPING_S)
        await seen.pilot.press("1")
        assert seen.app.box.dialog is not None


# ---------------------------------------------------------------- what is called now comes first


async def test_a_past_entry_stands_below_what_is_called_now() -> None:
    now = heard(70, "airway operator tube size eight", "team-leader")
    async with desk(case(now), 130, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk70", "tab", "tab", "tab", "2", "m", "enter", "enter")
        await seen.read_and_enter()
        waiting = [loop.call for loop, _ in seen.case.view(130).waiting]
        assert waiting == ["tube-size", "give-drug"]
        later = heard(150, "airway operator depth twenty two", "team-leader")
        seen.case.add(replace(later, seq=len(seen.case.facts) + 1))
        waiting = [loop.call for loop, _ in seen.case.view(200).waiting]
        assert waiting[-1] == "give-drug"
        assert len(waiting) == 3


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_of_a_past_entry_nobody_says_that_it_was_not_answered(size: tuple[int, int]) -> None:
    """Nothing listened for an answer to it: its window was over when it was entered."""
    async with desk(case(heard(70, "saturation ninety four percent")), 130, size) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk70", "tab", "tab", "tab", "2", "m", "enter", "enter")
        await seen.read_and_enter()
        text = await seen.text()
        assert "not known whether answered" in text
        assert "UNANSWERED" not in text
        await seen.pilot.press("h", "1")
        await seen.read_and_enter()
        assert "answer heard" in await seen.text()


def test_no_measure_counts_a_past_entry_as_never_answered() -> None:
    slots = (("drug", "ketamine"), ("amount", 70.0), ("unit", "mg"))
    past = Entered(t=10, call="give-drug", slots=slots)
    view = case(heard(70, "saturation ninety four percent"), past).view(200)
    assert [state for _, state in view.loops] == ["unknown"]
    assert communication(view).never.count == 0
    assert times_to_read_back(view) == []
    page = handover_page(protocol(), view)
    (left,) = (table for table in page.tables if table.title == "Open points")
    assert "entered afterwards, not known whether answered" in {row[1] for row in left.rows}
    now = case(heard(70, "saturation ninety four percent"), replace(past, t=72)).view(200)
    assert [state for _, state in now.loops] == ["unanswered"]
    assert communication(now).never.count == 1


# ---------------------------------------------------------------- an order that is not reported done

READ_BACK = (
    heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader"),
    heard(14, "seventy milligrams of ketamine", "drugs-nurse"),
)


async def test_nothing_says_that_all_is_answered_while_an_order_is_not_reported_done() -> None:
    async with desk(case(*READ_BACK), 30, (80, 24)) as seen:
        for now in (30, 200):
            told = await seen.at(now)
            assert "Every call is answered" not in told
            assert "No call waits; 1 order is not reported done" in told


async def test_an_overdue_order_keeps_its_name_in_a_low_terminal() -> None:
    waits = heard(150, "airway operator tube size eight", "team-leader")
    async with desk(case(*READ_BACK, waits), 200, (80, 24)) as seen:
        told = " ".join(re.findall(r"│ (.*)", await seen.text()))
        assert "!! OVERDUE 02:07 Give ketamine 70 mg" in " ".join(told.split())
    async with desk(case(*READ_BACK), 200, (80, 24)) as seen:
        await seen.text()
        assert "Give ketamine 70 mg" in str(seen.app.query_one(UrgentLine).content)
