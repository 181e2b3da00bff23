"""Slips of a recorder's hand, each tried by somebody who had never seen the program:
what may hurt a patient is not stored by them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grammar.case.facts import Confirmed, Heard, WeightSet, Withdrawn
from grammar.language.words import Word
from tests.support.screens import ShownCase, case, desk, heard, note, status
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.typing_guard import TYPING_S
from tui.dashboard.widgets.unsure import STANDS_S, UnsureStrip
from tui.dashboard.widgets.urgent import UrgentLine

HELP = Heard(t=22, until=23, words=(Word("[unk]", 22, 23, 0.2),), likely="we need help")
ORDER = heard(10, "drugs nurse draw up seventy milligrams of ketamine", "team-leader")
TUBE = heard(20, "airway operator tube size ten", "team-leader", 0.2)
PRESSURE = heard(20, "pressure one hundred and five over sixty", "team-leader", 0.2)


def shown(seen: ShownCase) -> str:
    return str(seen.app.box.content)


def urgent(seen: ShownCase) -> str:
    return str(seen.app.query_one(UrgentLine).content)


def stored(seen: ShownCase) -> list[str]:
    return [fact.kind for fact in seen.case.facts[1:] if not isinstance(fact, Heard)]


# ---------------------------------------------------------------- a possible call for help


@pytest.mark.parametrize(
    "keys", [("a", "a"), ("a", "1"), ("a", "w"), ("a", "w", "enter"), ("f", "a")]
)
async def test_no_key_but_yes_or_no_settles_a_possible_call_for_help(keys: tuple[str, ...]) -> None:
    async with desk(case(HELP), 60) as seen:
        await seen.text()
        await seen.pilot.press(*keys)
        assert stored(seen) == []
        assert "we need help" in shown(seen)
        assert seen.case.view(60).possible_help


@pytest.mark.parametrize("keys", [("f", "y"), ("a", "y")])
async def test_yes_makes_it_a_call_for_help(keys: tuple[str, ...]) -> None:
    async with desk(case(HELP), 60) as seen:
        await seen.text()
        assert "f: yes or no?" in urgent(seen)
        await seen.pilot.press(*keys)
        view = seen.case.view(60)
        assert not view.possible_help
        assert [loop.call for loop, _ in view.waiting] == ["help-needed"]
        assert "u takes it back" in await seen.text()


@pytest.mark.parametrize("keys", [("f", "n"), ("a", "n")])
async def test_no_leaves_it_in_the_log_as_speech(keys: tuple[str, ...]) -> None:
    async with desk(case(HELP), 60) as seen:
        await seen.text()
        await seen.pilot.press(*keys)
        assert not seen.case.view(60).possible_help
        assert any(line.fact == 2 for line in seen.case.view(60).log)
        assert "u takes it back" in await seen.text()


async def test_a_certain_call_for_help_comes_first_and_possible_ones_are_counted() -> None:
    certain = heard(5, "outside call for help", "team-leader")
    async with desk(case(certain, HELP), 60) as seen:
        await seen.text()
        assert "CALL FOR HELP +1 possible: Help needed" in urgent(seen)
    later = Heard(t=40, until=41, words=(Word("[unk]", 40, 41, 0.2),), likely="need help")
    async with desk(case(HELP, later), 60) as seen:
        await seen.text()
        assert "POSSIBLE CALL FOR HELP (+1 more): we need help" in urgent(seen)


# ---------------------------------------------------------------- a value typed over a doubtful one


@pytest.mark.parametrize(
    ("said", "typed", "counts_as"),
    [
        (TUBE, "8", "Tube size 8 mm → Airway operator"),
        (TUBE, "8 mm", "Tube size 8 mm → Airway operator"),
        (PRESSURE, "105/62", "Blood pressure 105/62 mmHg"),
        (
            heard(20, "drugs nurse give fifteen milligrams of ketamine", "team-leader", 0.2),
            "50",
            "ORDER: Give ketamine 50 mg → Drugs nurse",
        ),
    ],
)
async def test_a_typed_value_keeps_call_drug_unit_and_addressee(
    said: Heard, typed: str, counts_as: str
) -> None:
    async with desk(case(said), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(
            "1", *["slash" if c == "/" else "space" if c == " " else c for c in typed]
        )
        assert f"WILL COUNT AS   {counts_as}" in shown(seen)
        assert stored(seen) == []
        await seen.read_and_enter()
        if "sheet" in shown(seen):
            await seen.wait(BOUNCE_S)
            await seen.read_and_enter()
        log = [line.utterance for line in seen.case.view(60).log if line.utterance]
        assert log[0].role == "call"
        assert not log[0].unsure


async def test_a_doubtful_read_back_keeps_its_drug_when_its_number_is_typed() -> None:
    back = heard(14, "drawing up seventeen milligrams of ketamine", "drugs-nurse", 0.2)
    async with desk(case(ORDER, back), 20, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("1", "7", "0")
        assert "read back ketamine 70 mg" in shown(seen).lower()
        await seen.read_and_enter()
        loop, state = seen.case.view(20).loops[0]
        assert state == "closed"
        assert loop.slots["amount"] == 70


async def test_a_sentence_that_makes_another_call_of_it_takes_enter_twice() -> None:
    async with desk(case(TUBE), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("1", *"copy", "wait:750", "enter")
        assert "Enter again if that is meant" in shown(seen)
        await seen.pilot.press("enter")
        assert stored(seen) == []


# ---------------------------------------------------------------- undo


async def test_a_weight_put_right_is_what_undo_takes_back() -> None:
    async with desk(case(heard(10, "heart rate ninety", None, 0.2)), 60) as seen:
        await seen.text()
        await seen.pilot.press("1", "wait:750", "enter")
        seen.now = 61
        await seen.pilot.press("w", "7", "enter")
        await seen.wait(BOUNCE_S)
        await seen.read_and_enter()
        assert isinstance(seen.case.facts[-1], WeightSet)
        assert "u takes it back" in await seen.text()
        seen.now = 62
        await seen.pilot.press("u")
        assert seen.case.view(62).weight_kg == 70
        gone = [fact.target for fact in seen.case.facts if isinstance(fact, Withdrawn)]
        assert gone == [4]


async def test_undo_does_not_pass_over_a_pause_of_the_recording_without_a_word() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("m")
        seen.now = 61
        await seen.wait(TYPING_S)
        await seen.pilot.press("r")
        await seen.wait(TYPING_S)
        await seen.pilot.press("u")
        assert "withdrawn" not in stored(seen)
        assert "r sets it again; u again takes back: mark" in await seen.text()
        await seen.pilot.press("u")
        assert stored(seen)[-1] == "withdrawn"


async def test_the_list_of_items_stays_open_and_no_letter_typed_there_is_a_key_of_the_dashboard() -> (
    None
):
    timer = heard(5, "timer ninety", "team-leader")
    async with desk(case(timer), 60) as seen:
        await seen.text()
        await seen.pilot.press("k", "m", "t", "s")
        assert seen.app.box.dialog is not None
        assert "u takes it back" in await seen.text()
        assert set(stored(seen)) == {"ticked"}
        ((running, _),) = seen.case.view(60).timers
        assert running.completed is None


async def test_the_key_that_takes_back_does_so_in_the_list_of_items_too() -> None:
    async with desk(case(note(10, "before")), 60) as seen:
        await seen.text()
        await seen.pilot.press("k", "u")
        assert "nothing was ticked here yet" in await seen.text()
        assert "withdrawn" not in stored(seen)
        await seen.pilot.press("s", "u")
        assert stored(seen) == ["noted", "ticked", "withdrawn"]
        assert not seen.case.view(60).checklists[0].answered
        assert seen.app.box.dialog is not None
        await seen.pilot.press("u")  # what was done before the list is not taken back from it
        assert stored(seen) == ["noted", "ticked", "withdrawn"]


# ---------------------------------------------------------------- a dose chosen by one key


async def test_a_guess_with_a_dose_is_seen_from_old_to_new_and_held_to_the_sheet() -> None:
    order = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
    async with desk(case(order), 20, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("a", "2")
        assert stored(seen) == []
        assert "it stands as    ORDER: Give ketamine 70 mg" in shown(seen)
        assert "WILL COUNT AS   ORDER: Give ketamine 17 mg" in shown(seen)
        assert "below the sheet's 1 to 2 mg/kg at 70 kg" in " ".join(shown(seen).split())
        await seen.read_and_enter()
        assert "Enter again if that is meant" in shown(seen)
        assert stored(seen) == []


# ---------------------------------------------------------------- unsure wherever it is shown


async def test_a_call_heard_with_doubt_is_unsure_in_the_urgent_line_too() -> None:
    async with desk(case(heard(10, "timer three", "team-leader", 0.2)), 60) as seen:
        await seen.text()
        assert "Timer 3 s (unsure)" in urgent(seen)


async def test_a_doubtful_correction_accuses_nobody_until_it_is_settled() -> None:
    order = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
    doubtful = heard(14, "negative seventeen", "team-leader", 0.2)
    back = heard(18, "seventy milligrams of ketamine", "drugs-nurse")
    async with desk(case(order, doubtful, back), 20, (120, 40)) as seen:
        await seen.text()
        (loop, state), *_ = seen.case.view(20).loops
        assert loop.slots["amount"] == 70
        assert state == "closed"
        assert "READ BACK" not in urgent(seen)
        # It waits in the strip, and once a person has said that it was so, it counts.
        assert [said.fact for said in seen.case.view(20).unsure] == [3]
        await seen.pilot.press("1", "wait:750", "enter")
        await seen.wait(BOUNCE_S)
        await seen.read_and_enter()
        (loop, state), *_ = seen.case.view(20).loops
        assert loop.slots["amount"] == 17
        assert state == "differs"


# ---------------------------------------------------------------- the strip


async def test_drugs_come_first_and_a_key_shows_the_rest() -> None:
    doubts = [
        heard(10 + 2 * at, text, None, 0.2)
        for at, text in enumerate(
            (
                "oxygen is on",
                "room ready",
                "heart rate sixteen",
                "give seventy milligrams of ketamine",
            )
        )
    ]
    async with desk(case(*doubts), 60, (120, 50)) as seen:
        await seen.text()
        strip = seen.app.query_one(UnsureStrip)
        first = strip.at(0)
        assert first is not None
        assert first.call == "give-drug"
        assert "+1 more: 7" in await seen.text()
        await seen.pilot.press("7")
        assert "room ready" in shown(seen)


async def test_a_number_that_has_come_to_mean_another_utterance_does_nothing_for_a_second() -> None:
    doubts = [
        heard(10 + 2 * at, text, None, 0.2)
        for at, text in enumerate(("heart rate sixteen", "cuff up", "room ready"))
    ]
    async with desk(case(*doubts), 60, (100, 30)) as seen:
        strip = seen.app.query_one(UnsureStrip)
        now = [100.0]
        strip._seconds = lambda: now[0]
        await seen.text()
        await seen.pilot.press("1", "wait:750", "enter")
        seen.case.add(replace(heard(50, "oxygen is on", None, 0.2), seq=len(seen.case.facts) + 1))
        for _ in range(8):
            seen.app.look()
        said = strip.at(0)
        assert said is not None
        assert said.text == "oxygen is on"
        stored_before = len(seen.case.facts)
        await seen.pilot.press("1")
        assert seen.app.box.dialog is None
        assert "look again" in await seen.text()
        now[0] += STANDS_S
        await seen.pilot.press("1")
        assert seen.app.box.dialog is not None, seen.app._notice
        assert len(seen.case.facts) == stored_before


async def test_even_a_call_without_a_value_takes_enter() -> None:
    async with desk(case(heard(10, "cuff up", None, 0.2)), 60) as seen:
        await seen.text()
        await seen.pilot.press("1")
        assert stored(seen) == []
        await seen.read_and_enter()
        assert isinstance(seen.case.facts[-1], Confirmed)


async def test_a_doubtful_read_back_that_answers_nothing_reaches_the_strip() -> None:
    async with desk(
        case(heard(10, "seventy milligrams of ketamine", "drugs-nurse", 0.2)), 20
    ) as seen:
        assert "UNSURE 1" in await seen.text()
    assert (
        not case(heard(10, "seventy milligrams of ketamine", "drugs-nurse", 0.2)).view(200).unsure
    )


# ---------------------------------------------------------------- Enter twice, Ctrl-C twice


async def test_an_enter_that_bounces_stores_no_dose() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk", "7", "enter", "enter")
        assert stored(seen) == []
        assert "came too soon" in shown(seen)


async def test_ctrl_c_twice_ends_nothing() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("ctrl+c", "ctrl+c")
        assert seen.app.is_running
        assert not seen.app._exit
        assert "Ctrl-C ends nothing" in shown(seen)
        await seen.pilot.press("escape", "c", "ctrl+c")
        assert "the case goes on" in shown(seen)


async def test_ctrl_c_leaves_neither_a_screen_that_only_shows_nor_an_ended_case() -> None:
    for told, only_shows in ((None, True), (status(ended=True), False)):
        async with desk(case(), 60, told=told, only_shows=only_shows) as seen:
            await seen.text()
            await seen.pilot.press("ctrl+c")
            assert not seen.app._exit
            assert "Ctrl-C does nothing here: q leaves this screen" in await seen.text()


async def test_a_dose_entered_outside_the_sheet_takes_enter_twice() -> None:
    async with desk(case(), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk", *"700", "enter")
        assert "above the sheet's 1 to 2 mg/kg at 70 kg" in shown(seen)
        await seen.wait(BOUNCE_S)
        await seen.pilot.press("enter")
        assert "Enter again if that is meant" in shown(seen)
        assert stored(seen) == []
        await seen.wait(BOUNCE_S)
        await seen.pilot.press("enter")
        assert stored(seen) == ["entered"]


async def test_the_page_to_read_out_scrolls_line_by_line_and_page_by_page_to_its_end() -> None:
    async with desk(case(ORDER), 60, (80, 24)) as seen:
        await seen.text()
        await seen.pilot.press("o")
        first = shown(seen).splitlines()[1:]
        await seen.pilot.press("down")
        assert shown(seen).splitlines()[1 : len(first)] == first[1:]
        await seen.pilot.press("pagedown", "pagedown", "end")
        assert "No doses" in shown(seen) or "advice" in shown(seen) or "policy" in shown(seen)


# ---------------------------------------------------------------- what stands last in the log


@pytest.mark.parametrize("key", [("m",), ("k", "s", "escape")])
async def test_below_what_nobody_said_stands_what_was_done_by_hand_and_the_key_for_that(
    key: tuple[str, ...],
) -> None:
    async with desk(case(ORDER), 60, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*key)
        await seen.wait(BOUNCE_S)  # letters at once after those of a dialog are typed text
        await seen.pilot.press("a")
        assert "drugs nurse draw up seventy milligrams" in shown(seen)
        assert "by hand: u takes that back, not this" in shown(seen)
        await seen.pilot.press("escape", "u")
        await seen.wait(TYPING_S)
        await seen.pilot.press("a")
        assert "takes that back, not this" not in shown(seen)
        await seen.pilot.press("w")
        assert "WILL BE TAKEN OUT  ORDER: Draw up ketamine 70 mg" in shown(seen)


async def test_a_call_of_long_ago_says_before_it_is_stored_that_it_will_be_unanswered() -> None:
    async with desk(case(), 200, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press(*"cgk", "7", "0", "tab", "tab", "tab", "2", "m", "enter", "enter")
        assert "at once as UNANSWERED: h says that one was heard" in shown(seen)
        await seen.pilot.press("escape", *"cgk", "7", "0", "enter")
        assert "at once as UNANSWERED" not in shown(seen)
