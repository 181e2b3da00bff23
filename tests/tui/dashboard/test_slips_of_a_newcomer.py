"""Slips of somebody who tried the dashboard for the first time: each was stored, cut or worded wrongly."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import pytest

from grammar.case.doses import DoseGiven
from grammar.case.facts import AnsweredByHand, Confirmed, Entered, Fact, Heard
from grammar.case.fold import Case
from grammar.case.loops import LoopState
from grammar.case.view import Utterance
from grammar.language.words import Word
from tests.support.screens import ShownCase, case, desk, heard, status
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.typing_guard import TYPING_S
from tui.dashboard.widgets.calls import WaitingCall, card, heights
from tui.dashboard.widgets.header import Header
from tui.pages.handover import handover_page
from tui.pages.page import as_text
from tui.text.doses import per_kg_in_words
from tui.text.wording import UNCLEAR_WORDS

LOW = (80, 24)
SURE = heard(10, "saturation ninety four percent")
DOUBTFUL = heard(30, "saturation forty nine percent", None, 0.2)
ORDERS = tuple(
    heard(10 + 3 * at, f"drugs nurse give {words}", "team-leader", 0.2)
    for at, words in enumerate(
        (
            "fifty milligrams of ketamine",
            "thirty milligrams of rocuronium",
            "fifteen milligrams of suxamethonium",
        )
    )
)


def shown(seen: ShownCase) -> str:
    return " ".join(str(seen.app.box.content).split())


def by_hand(seen: ShownCase) -> list[str]:
    return [fact.kind for fact in seen.case.facts[1:] if not isinstance(fact, Heard)]


# ---------------------------------------------------------------- a vital sign far from the last


async def test_a_doubtful_vital_sign_far_from_the_last_is_asked_about_before_it_is_stored() -> None:
    async with desk(case(SURE, DOUBTFUL), 35, LOW) as seen:
        await seen.text()
        await seen.pilot.press("1")
        assert "far from 94 % at 00:10" in shown(seen)
        await seen.read_and_enter()
        assert "Enter again if that is meant" in shown(seen)
        assert by_hand(seen) == []
        await seen.read_and_enter()
        assert by_hand(seen) == ["confirmed"]


async def test_a_typed_vital_sign_far_from_the_last_is_seen_in_words_and_takes_one_more_enter() -> (
    None
):
    async with desk(case(SURE), 35, LOW) as seen:
        await seen.text()
        await seen.pilot.press("v", "s", "4", "9", "enter")
        assert "WILL BE STORED" in shown(seen)
        assert "far from 94 % at 00:10" in shown(seen)
        assert by_hand(seen) == []
        await seen.read_and_enter()
        assert by_hand(seen) == ["entered"]


@pytest.mark.parametrize("value", ["90", "70"])
async def test_a_vital_sign_near_the_last_is_stored_at_once(value: str) -> None:
    async with desk(case(SURE), 35, LOW) as seen:
        await seen.text()
        await seen.pilot.press("v", "s", *value, "enter")
        assert by_hand(seen) == ["entered"]


# ---------------------------------------------------------------- what decides is never cut


async def test_the_guesses_of_every_doubtful_line_stand_whole_in_a_low_terminal() -> None:
    async with desk(case(*ORDERS), 20, LOW) as seen:
        strip = (await seen.text()).partition("UNSURE")[2].partition("LOG")[0]
        guesses = [row for row in strip.splitlines() if re.match(r"\s+[135] ", row)]
        assert guesses
        for row in guesses:
            assert "…" not in row.partition("│")[0], strip


@pytest.mark.parametrize("rows", [1, 2, 3])
@pytest.mark.parametrize("width", range(44, 80, 3))
def test_a_card_keeps_that_its_number_is_unclear(width: int, rows: int) -> None:
    found = case(heard(10, "drugs nurse give fifty milligrams of ketamine", "team-leader"))
    ((loop, state),) = found.view(14.0).waiting
    call = WaitingCall(found.protocol, loop, state, now=14.0, doubt=UNCLEAR_WORDS)
    told = " ".join(line.plain for line in card(call, rows, width))
    assert f"50 mg {UNCLEAR_WORDS}" in told


@pytest.mark.parametrize("width", range(44, 80, 3))
def test_a_card_of_one_row_has_both_values_of_a_read_back_that_differs(width: int) -> None:
    order = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
    found = case(order, heard(14, "seventeen milligrams of ketamine", "drugs-nurse"))
    ((loop, state),) = found.view(20.0).waiting
    (row,) = (
        line.plain for line in card(WaitingCall(found.protocol, loop, state, now=20.0), 1, width)
    )
    assert "70 mg" in row
    assert "read back 17 mg" in row


# ---------------------------------------------------------------- as many calls as have room


@pytest.mark.parametrize("rows", [5, 6, 8])
def test_each_of_five_calls_has_a_row_before_one_has_more(rows: int) -> None:
    states: list[LoopState] = ["differs", "unanswered", "unanswered", "open", "open"]
    given = heights(states, rows)
    assert all(given)
    assert sum(given) == rows
    assert given[0] == max(given)


# ---------------------------------------------------------------- words


async def test_taking_back_that_no_help_was_called_says_so() -> None:
    perhaps = Heard(t=32, until=33, words=(Word("[unk]", 32, 33, 0.2),), likely="need help")
    async with desk(case(perhaps), 35, LOW) as seen:
        await seen.text()
        await seen.pilot.press("f", "n")
        assert any(isinstance(fact, Confirmed) for fact in seen.case.facts)
        await seen.wait(BOUNCE_S)
        await seen.pilot.press("u")
        screen = " ".join((await seen.text()).split())
        assert 'taken back: that "need help" was no call' in screen
        assert "heard rightly" not in screen


async def test_backspace_in_a_first_menu_says_how_it_is_left() -> None:
    async with desk(case(), 35, LOW) as seen:
        await seen.text()
        for menu in ("c", "v", "k", "s"):
            await seen.pilot.press(menu, "backspace")
            assert "no letter" not in shown(seen)
            await seen.pilot.press("escape")
            await seen.wait(TYPING_S)
        await seen.pilot.press("c", "backspace")
        assert "this is the first step: Esc leaves" in shown(seen)


async def test_what_will_be_stored_says_how_it_is_given_another_time() -> None:
    async with desk(case(), 35, LOW) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk70", "enter")
        assert "three times: when" in shown(seen)


def test_the_airway_of_a_handover_says_where_nobody_answered() -> None:
    size = heard(10, "airway operator tube size eight", "team-leader")
    found = case(size)
    rows = as_text(handover_page(found.protocol, found.view(90.0)), 110).splitlines()
    row = next(each for each in rows if "Tube size" in each and "8 mm" in each)
    assert "OPEN: nobody" in row


@pytest.mark.parametrize(
    ("per_kg", "told"),
    [("0.028571428", "0.029"), ("1.285714", "1.29"), ("0.857142", "0.86"), ("12.5", "12.5")],
)
def test_a_dose_a_kilogram_has_no_digit_that_nobody_can_measure(per_kg: str, told: str) -> None:
    dose = DoseGiven("ketamine", Decimal(2), "mg", t=10.0, fact=2, per_kg=Decimal(per_kg))
    assert per_kg_in_words(dose) == f"{told} mg/kg"


# ---------------------------------------------------------------- a timer of one's own


def test_a_timer_that_was_called_and_answered_at_one_time_is_no_timer_of_ones_own() -> None:
    found = case()
    facts = list(found.facts)

    def tell(fact: Fact) -> None:
        facts.append(fact)

    def manual() -> ManualEntry:
        return ManualEntry(found.protocol, tell, lambda: facts, lambda: 60.0)

    manual().heard(7, 20.0)
    manual().tick("before-induction", "suction")
    answers = [fact for fact in facts if isinstance(fact, AnsweredByHand)]
    assert [fact.own_timer for fact in answers] == [False]


def test_starting_a_timer_of_ones_own_says_in_the_fact_that_it_is_one() -> None:
    found = case()

    def tell(fact: Fact) -> Utterance | None:
        return found.add(replace(fact, seq=len(found.facts) + 1))

    manual = ManualEntry(found.protocol, tell, lambda: found.facts, lambda: 60.0)
    manual.start_timer("start-timer", [("duration_s", Decimal(90))])
    answers = [fact for fact in found.facts if isinstance(fact, AnsweredByHand)]
    assert [fact.own_timer for fact in answers] == [True]


@pytest.mark.parametrize(("own", "loops"), [(True, 0), (False, 1), (None, 0)])
def test_the_fact_says_whose_timer_it_was_and_equal_times_only_in_older_cases(
    own: bool | None, loops: int
) -> None:
    started = Entered(t=20, call="start-timer", slots=(("duration_s", 90.0),))
    found: Case = case(started, AnsweredByHand(t=20, loop=2, own_timer=own))
    view = found.view(30.0)
    assert len(view.loops) == loops
    assert len(view.timers) == 1


# ---------------------------------------------------------------- how often a call is heard


async def test_the_header_says_that_the_second_hearing_is_behind() -> None:
    behind = status(ears="heard only once: the second hearing is behind")
    async with desk(case(), 35, LOW, told=behind) as seen:
        await seen.text()
        assert "the second hearing is behind" in str(seen.app.query_one(Header).content)
