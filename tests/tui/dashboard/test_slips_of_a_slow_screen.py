"""Slips that a newcomer made on a machine too busy to draw, and at neighbouring keys."""

from __future__ import annotations

import time
from typing import Any

import pytest
from textual import events

from grammar.case.facts import AnsweredByHand, CaseStarted, Entered, WeightSet
from tests.support.screens import ShownCase, case, desk, heard, status
from tui.dashboard.action_base import WAY_BACK_S
from tui.dashboard.dialogs.dialog import BOUNCE_S

BOUGIE = heard(103, "anteroom send in the bougie", "team-leader")


def entered(seen: ShownCase) -> list[Entered]:
    return [fact for fact in seen.case.facts if isinstance(fact, Entered)]


# ---------------------------------------------------------------- what was not drawn was not read


async def test_an_enter_counts_from_the_frame_that_drew_the_summary(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The summary is drawn two seconds late: an Enter struck before it stores nothing."""
    async with desk(case(), 60) as seen:
        await seen.pilot.press("c", "g", "n", "5")
        shown = type(seen.app)._display

        def slowly(*given: Any) -> None:
            time.sleep(0.3)
            shown(*given)

        monkeypatch.setattr(type(seen.app), "_display", slowly)
        await seen.pilot.press("enter")
        drawn = time.monotonic()
        monkeypatch.undo()
        dialog = seen.app.box.dialog
        assert dialog is not None and dialog.to_read
        # A second after the first by the key's own clock, and yet before the frame stood for 0.7 s.
        for struck in (drawn - 0.2, drawn + BOUNCE_S / 2):
            key = events.Key("enter", "\r")
            key.time = struck
            dialog._enter_at = None  # the first Enter was long before
            seen.app.post_message(key)
            await seen.pilot.pause()
            assert not entered(seen)
            assert "too soon" in str(seen.app.box.content)
        await seen.pilot.pause(BOUNCE_S + 0.1)
        await seen.read_and_enter()
        assert [fact.call for fact in entered(seen)] == ["give-drug"]


async def test_an_enter_before_any_frame_of_the_summary_stores_nothing() -> None:
    async with desk(case(), 60) as seen:
        await seen.pilot.press("c", "g", "n", "5")
        dialog = seen.app.box.dialog
        assert dialog is not None
        now = time.monotonic()
        # Both in one turn of the screen, so that no frame comes between; their times are 2 s apart.
        dialog.struck("enter", "\r", now - 2)
        dialog.struck("enter", "\r", now)
        assert not entered(seen)


DOUBTFUL = heard(50, "drugs nurse give fifteen milligrams of ketamine", "team-leader", 0.2)
TUBE = heard(40, "airway operator tube size eight", "team-leader")
ORDERED = heard(30, "drugs nurse give seventy milligrams of ketamine", "team-leader")
OTHERWISE = heard(35, "seventeen milligrams of ketamine", "drugs-nurse")


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        (("1",), "enter"),
        (("2",), "enter"),
        (("1", "7", "0"), "enter"),
        (("a", "2"), "enter"),
        (("a", "w"), "enter"),
        (("a", "e", "ctrl+u", *"copy"), "enter"),
        (("h",), "enter"),
        (("h", "1"), "enter"),
        (("h", "down"), "enter"),
    ],
)
async def test_a_doubtful_reading_or_an_answer_is_read_before_enter_stores_it(
    keys: tuple[str, ...], key: str
) -> None:
    """At once after the key that showed it, and again while it has not stood there: nothing is stored."""
    async with desk(case(ORDERED, DOUBTFUL), 55, size=(80, 24)) as seen:
        facts = len(seen.case.facts)
        await seen.pilot.press(*keys, key)
        if "".join(keys[-4:]) != "copy":  # holds no drug and no number
            assert len(seen.case.facts) == facts
            assert "too soon" in str(seen.app.box.content)
            await seen.pilot.pause(BOUNCE_S / 2)
            await seen.pilot.press(key)
            assert len(seen.case.facts) == facts
            await seen.read_and_enter()
        if len(seen.case.facts) == facts:  # odd by the sheet: told once more
            assert "Enter again" in str(seen.app.box.content)
            await seen.pilot.press(key)
            assert len(seen.case.facts) == facts
            await seen.read_and_enter()
        assert len(seen.case.facts) > facts


async def test_a_digit_held_down_does_not_call_a_read_back_right_that_differs() -> None:
    async with desk(case(ORDERED, OTHERWISE), 40, size=(80, 24)) as seen:
        facts = len(seen.case.facts)
        await seen.pilot.press("h", "1", "1", "1", "1")
        assert len(seen.case.facts) == facts
        await seen.pilot.pause(BOUNCE_S + 0.1)
        await seen.pilot.press("1")
        assert isinstance(seen.case.facts[-1], AnsweredByHand)


async def test_a_call_that_becomes_unanswered_under_the_question_is_drawn_so() -> None:
    async with desk(case(TUBE), 45, size=(80, 24)) as seen:
        await seen.pilot.press("h")
        assert "UNANSWERED" not in str(seen.app.box.content)
        await seen.at(80)
        assert "UNANSWERED" in str(seen.app.box.content)


# ---------------------------------------------------------------- neighbouring keys


@pytest.mark.parametrize(
    ("keys", "name", "group"),
    [
        ("a100", "ADRENALINE   100 microgram", ""),
        ("s100", "SUXAMETHONIUM   100 mg", "MUSCLE RELAXANT"),
        ("m5", "MIDAZOLAM   5 mg", ""),
        ("n5", "NORADRENALINE   5 microgram", ""),
        ("k70", "KETAMINE   70 mg", "INDUCTION"),
    ],
)
async def test_the_drug_stands_by_itself_with_its_unit_and_its_group(
    keys: str, name: str, group: str
) -> None:
    async with desk(case(), 60, size=(80, 24)) as seen:
        await seen.pilot.press("c", "g", *keys, "enter")
        (line,) = (x for x in str(seen.app.box.content).split("\n") if name in x)
        sheet = seen.case.protocol.drugs[name.split(maxsplit=1)[0].lower()]
        assert (f"group: {group}" in line) is bool(group)
        assert (sheet.group or "").replace("-", " ").upper() == group or not group


@pytest.mark.parametrize("letter", ["z", "q", "x", "y", "l", "o"])
async def test_a_call_without_a_value_is_seen_in_words_before_it_is_stored(letter: str) -> None:
    async with desk(case(), 60) as seen:
        await seen.pilot.press("c", letter)
        assert not entered(seen)
        assert "WILL BE STORED" in str(seen.app.box.content)
        await seen.read_and_enter()
        assert len(entered(seen)) == 1


@pytest.mark.parametrize(
    "keys",
    [
        ("c", "z", "enter"),
        ("m",),
        ("k", "s"),
        ("v", "s", "9", "4", "enter"),
        ("s", "d"),
        ("n", "x", "enter"),
        ("w", "8", "0", "enter"),
        ("t", "n", "3", "m", "enter"),
        ("c", "v", "v"),
        ("h", "1"),
        ("=",),
    ],
)
async def test_all_that_stores_shows_for_five_seconds_how_to_take_it_back_and_once(
    keys: tuple[str, ...],
) -> None:
    before = heard(99, "saturation ninety four", "airway-operator")
    async with desk(case(before, BOUGIE), 110, size=(80, 24)) as seen:
        facts = len(seen.case.facts)
        await seen.pilot.pause(1.1)  # the newest line has come to stand
        for key in keys:
            await seen.pilot.press(key)
            await seen.pilot.pause(0.3)
        assert len(seen.case.facts) > facts
        stored = time.monotonic()
        while time.monotonic() < stored + WAY_BACK_S - 1:
            text = " ".join((await seen.text()).split())
            assert text.count("u takes it back") == 1
            assert "u takes back:" not in text
            await seen.pilot.pause(1.3)


# ---------------------------------------------------------------- no answer before its call


async def test_no_answer_earlier_than_its_call_is_offered_or_stored() -> None:
    async with desk(case(BOUGIE), 146) as seen:
        await seen.pilot.press("h", "tab", *"90s", "enter")
        shown = str(seen.app.box.content)
        assert "00:56 is before that call, which was at 01:43" in shown
        await seen.pilot.press("enter", "escape")
        assert not any(isinstance(fact, AnsweredByHand) for fact in seen.case.facts)


async def test_of_two_calls_only_the_one_called_before_that_time_is_offered() -> None:
    first = heard(10, "radio check", "team-leader")
    async with desk(case(first, BOUGIE), 146) as seen:
        await seen.pilot.press("h", "tab", *"90s", "enter")
        for number in ("1", "2"):
            await seen.pilot.press(number)
            answered = [f for f in seen.case.facts if isinstance(f, AnsweredByHand)]
            opened = {loop.id: loop.opened for loop, _ in seen.case.view(146).loops}
            assert all(fact.t >= opened[fact.loop] for fact in answered)
            if answered:
                break
        assert len(answered) == 1


# ---------------------------------------------------------------- words and lines


async def test_a_filter_says_how_many_lines_are_above_and_below() -> None:
    given = [heard(5 + 10 * i, "seventy milligrams of ketamine given") for i in range(20)]
    async with desk(case(*given), 300, size=(80, 24)) as seen:
        await seen.pilot.press("/", "tab")
        assert "drugs only" in str(seen.app.box.content)
        head = str(seen.app.box.content)
        shown = sum("ketamine given" in line for line in head.split("\n"))
        assert f"20 lines: {20 - shown} above, 0 below" in head
        await seen.pilot.press(*["up"] * 19)
        assert f"0 above, {20 - shown} below" in str(seen.app.box.content)
        assert shown > 0


@pytest.mark.parametrize("drill", [True, False])
async def test_drill_and_weight_stay_on_the_screen_beside_all_warnings(drill: bool) -> None:
    troubles = ("hearing is 6 s behind, nothing is left out", "the disk is full: sound waits")
    told = status(troubles=troubles, ears="heard only once: check each number")
    begun = case(WeightSet(t=11, weight_kg=7))
    start = begun.facts[0]
    assert isinstance(start, CaseStarted)
    made = type(begun)(begun.protocol)
    made.add(CaseStarted(**{**{k: getattr(start, k) for k in start.__slots__}, "drill": drill}))
    made.add(begun.facts[1])
    async with desk(made, 60, size=(80, 24), told=told) as seen:
        _, second, *warned, _ = (await seen.text()).splitlines()[:5]
        assert ("DRILL" if drill else "REAL CASE") in second
        assert "  7 kg" in second
        warnings = " ".join(" ".join(warned).split())
        for trouble in (*troubles, "7 kg lies outside 30 to 200 kg"):
            assert f"!! {trouble}" in warnings, "no warning is cut"


@pytest.mark.parametrize(
    "keys", [("C",), ("V",), ("c", "K"), ("c", "i", "K"), ("s", "D"), ("k", "S"), ("q", "Q")]
)
async def test_a_capital_letter_is_nowhere_a_key_and_says_so(keys: tuple[str, ...]) -> None:
    async with desk(case(BOUGIE), 110) as seen:
        await seen.pilot.pause(1.1)
        facts = len(seen.case.facts)
        await seen.pilot.press(*keys[:-1])
        before = seen.app.box.dialog
        await seen.pilot.press(keys[-1])
        assert f"{keys[-1]} does nothing" in " ".join((await seen.text()).split())
        assert "Caps Lock" in await seen.text()
        assert seen.app.box.dialog is before
        assert len(seen.case.facts) == facts


async def test_capital_letters_are_written_where_text_is() -> None:
    async with desk(case(BOUGIE), 110) as seen:
        await seen.pilot.press("n", *"Bed", "enter")
        assert "Bed" in await seen.text()


async def test_no_line_of_a_hand_act_holds_a_bare_number() -> None:
    async with desk(case(BOUGIE), 110) as seen:
        await seen.pilot.press("h", "1")
        told = [line.text for line in seen.case.view(110).log]
        assert "answer heard: Send in, called at 01:43" in told
        assert "#" not in await seen.text()
        await seen.pilot.press("u")
        assert "#" not in await seen.text()
