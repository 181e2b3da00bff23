"""A hand at the mouse, a value seen before it counts, and a screen that only shows."""

from __future__ import annotations

from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    Confirmed,
    Ticked,
)
from tests.support.screens import case, desk, heard, status
from tests.tui.dashboard.test_acting import (
    ORDER,
    SAID,
    UNSURE,
    last,
    no_dialog,
    shown,
    told,
)
from tui.dashboard.typing_guard import TYPING_S
from tui.dashboard.widgets.log import RunningLog


async def test_a_second_screen_shows_all_and_stores_nothing() -> None:
    told = status(hears=False, level_dbfs=None)
    async with desk(case(*SAID), 60, told=told, only_shows=True) as seen:
        text = await seen.text()
        assert "UNSURE 3" in text
        assert "c\N{NO-BREAK SPACE}call" not in text
        assert "silent" not in text
        facts = len(seen.case.facts)
        for key in "cm1uhr":
            await seen.pilot.press(key)
            await seen.wait(TYPING_S)
        assert "only shows" in await seen.text()
        assert len(seen.case.facts) == facts
        assert no_dialog(seen)


async def test_recording_that_was_never_chosen_cannot_be_begun_by_a_key() -> None:
    async with desk(case(), 5, told=status(recording=False)) as seen:
        await seen.text()
        await seen.pilot.press("r")
        assert "not recorded" in await seen.text()
        assert len(seen.case.facts) == 1


async def test_paused_recording_is_told_on_the_screen_all_the_time() -> None:
    async with desk(case(), 5) as seen:
        await seen.text()
        await seen.pilot.press("r")
        assert "‖ RECORDING PAUSED" in await seen.text()
        await seen.pilot.press("r")
        assert "● RECORDING ON" in await seen.text()


async def test_a_click_on_a_call_an_utterance_or_an_item_does_what_its_key_does() -> None:
    async with desk(case(ORDER), 60, (100, 40)) as seen:
        await seen.text()
        await seen.pilot.click("#calls", offset=(5, 1))
        assert "AN ANSWER WAS HEARD" in shown(seen)
        await seen.read_and_enter()
        assert told(AnsweredByHand(t=0, loop=2, own_timer=False))(seen)
        await seen.text()
        await seen.pilot.click(RunningLog, offset=(20, 1))
        assert "PUT RIGHT" in shown(seen)
        await seen.pilot.press("escape")
        await seen.pilot.click("#checklists", offset=(3, 0))
        await seen.text()
        # Under the border, the third line of the dialog is the first item.
        await seen.pilot.click("#dialog-text", offset=(8, 3))
        assert isinstance(last(seen), Ticked)


async def test_a_click_on_a_guess_chooses_it() -> None:
    async with desk(case(UNSURE[0]), 60, (100, 40)) as seen:
        await seen.text()
        await seen.pilot.click("#unsure", offset=(30, 2))
        assert "WILL COUNT AS   Heart rate 60" in shown(seen)
        await seen.read_and_enter()
        assert told(Amended(t=0, target=2, words="heart rate sixty"))(seen)


async def test_an_item_that_is_ticked_says_by_what_and_how_it_is_taken_back() -> None:
    async with desk(case(heard(24, "suction on", "airway-operator")), 31) as seen:
        await seen.text()
        await seen.pilot.press("k", "s")
        told = await seen.text()
        assert "Suction on and in reach was ticked by voice at 00:24; a: put right" in told
        await seen.pilot.press("m")
        assert "ticked: " in await seen.text()
        await seen.pilot.press("m")
        assert "was ticked by hand at 00:31; u: takes back" in await seen.text()
        assert [type(fact) for fact in seen.case.facts].count(Ticked) == 1


async def test_a_doubtful_number_counts_for_nothing_before_its_value_is_seen_and_entered() -> None:
    async with desk(case(UNSURE[0]), 60) as seen:
        await seen.text()
        stored = len(seen.case.facts)
        await seen.pilot.press("1")
        assert "WILL COUNT AS   Heart rate 16" in shown(seen)
        assert len(seen.case.facts) == stored
        await seen.pilot.press("escape")
        assert len(seen.case.facts) == stored


async def test_a_value_that_is_none_of_the_guesses_is_typed_at_once() -> None:
    async with desk(case(UNSURE[0]), 60) as seen:
        await seen.text()
        await seen.pilot.press("1", *"heart", "space", *"rate", "space", *"66", "wait:750", "enter")
        assert seen.case.view(60).latest_vitals[-1].text == "66"


async def test_a_drug_is_seen_in_words_before_it_is_stored_and_said_how_to_take_back() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk", *"70", "enter")
        assert "WILL BE STORED" in shown(seen)
        assert "Give ketamine 70 mg" in shown(seen)
        assert not seen.case.view(60).loops
        await seen.read_and_enter()
        assert "u takes it back" in await seen.text()
        await seen.pilot.press("u")
        assert not seen.case.view(60).loops


async def test_what_was_misheard_is_put_right_by_its_number_and_enter_and_seen_before() -> None:
    wrong = heard(10, "give fifteen milligrams of ketamine", "team-leader")
    async with desk(case(wrong), 20) as seen:
        await seen.text()
        await seen.pilot.press("a", "2")
        assert "it stands as    ORDER: Give ketamine 15 mg" in shown(seen)
        assert "WILL COUNT AS   ORDER: Give ketamine 50 mg" in shown(seen)
        assert len(seen.case.facts) == 2
        await seen.read_and_enter()
        assert "Give ketamine 50 mg" in await seen.text()


async def test_an_unsure_utterance_shows_both_guesses_and_a_key_for_each() -> None:
    async with desk(case(UNSURE[0]), 40, (80, 24)) as seen:
        text = await seen.text()
    assert "UNSURE 1" in text
    assert "1 Heart rate 16 /min   2 Heart rate 60 /min" in text


async def test_a_place_in_the_strip_is_not_given_away_under_the_fingers() -> None:
    async with desk(case(*SAID), 60, (100, 40)) as seen:
        await seen.text()
        await seen.pilot.press("1", "wait:750", "enter", "1")
        assert "nothing unsure stands there" in await seen.text()
        accepted = [fact for fact in seen.case.facts if isinstance(fact, Confirmed)]
        assert [fact.target for fact in accepted] == [5]


async def test_caps_lock_enters_no_other_call_and_none_unseen() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("v", "S")
        assert "Caps Lock" in await seen.text()
        await seen.pilot.press("s", *"94", "enter")
        assert seen.case.view(60).latest_vitals[-1].id == "saturation"


async def test_an_answer_and_an_entry_can_be_given_a_time_in_the_past() -> None:
    async with desk(case(ORDER), 60) as seen:
        await seen.text()
        await seen.pilot.press("h", "tab", *"0:15", "enter", "1")
        await seen.read_and_enter()
        assert told(AnsweredByHand(t=0, loop=2, own_timer=False), 15.0)(seen)
        assert not seen.case.view(60).loops[0][0].late
        await seen.pilot.press(*"vs", "tab", "tab", "tab", *"20s", "space", *"ago", "enter")
        await seen.pilot.press(*"94", "enter")
        assert seen.case.view(60).latest_vitals[-1].t == 40.0
