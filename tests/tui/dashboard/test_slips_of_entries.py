"""Slips at an entry by hand, each made by somebody who had never seen the program: nothing is stored that
was not meant, and nothing typed is lost without a word."""

from __future__ import annotations

import pytest

from grammar.case.facts import Entered, Heard
from tests.support.screens import ShownCase, case, desk, heard
from tui.dashboard.dialogs.dialog import BOUNCE_S

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
        await seen.pilot.pause(BOUNCE_S)
        await seen.pilot.press("enter")
        assert stored(seen) == ([] if told else ["entered"])


async def test_another_dose_and_an_order_are_no_dose_told_twice() -> None:
    for keys in ("cik80", "cgk70"):
        async with desk(case(GIVEN), 60, (120, 40)) as seen:
            await seen.text()
            await seen.pilot.press(*keys, "enter")
            assert "stands already" not in shown(seen)
