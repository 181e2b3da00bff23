"""A recorder finds lines in the log, and names the speaker of before with one key."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grammar.case.facts import SpeakerSet
from tests.support.screens import ShownCase, case, desk, heard, note
from tui.dashboard.typing_guard import TYPING_S

ORDER = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
SATURATION = heard(20, "saturation ninety four percent", "airway-operator")
TIMER = heard(30, "timer sixty", "team-leader")
NOTE = note(40, "the door was opened")
WHOLE = case(ORDER, SATURATION, TIMER, NOTE)


def found(seen: ShownCase) -> list[str]:
    return str(seen.app.box.content).splitlines()[3:]


@pytest.mark.parametrize(
    ("typed", "tabs", "lines"),
    [
        ("", 0, ["case started", "ketamine", "94", "timer", "door"]),
        ("keta", 0, ["ketamine"]),
        ("ninety mg", 0, []),
        ("00:20", 0, ["ninety four"]),
        ("", 1, ["ketamine"]),
        ("timer", 1, []),
        ("", 2, ["ketamine", "timer"]),
    ],
)
async def test_words_drugs_or_one_station_narrow_the_log_down(
    typed: str, tabs: int, lines: list[str]
) -> None:
    async with desk(WHOLE, 60) as seen:
        await seen.pilot.press("/", *["tab"] * tabs, *["space" if c == " " else c for c in typed])
        shown = found(seen)
        if not lines:
            assert shown == ["no line has that"]
            return
        assert len(shown) == len(lines)
        assert all(
            words.replace("94", "ninety four") in line.lower()
            for words, line in zip(lines, shown, strict=True)
        )


async def test_enter_goes_to_the_line_and_end_follows_again() -> None:
    many = case(ORDER, *(heard(20 + n, "saturation ninety four percent") for n in range(60)))
    async with desk(many, 100) as seen:
        assert "ORDER Team leader" not in log_of(await seen.text())
        await seen.pilot.press("/", *"ketamine", "enter")
        assert seen.app.box.dialog is None
        assert "ORDER Team leader" in log_of(await seen.text())
        await seen.pilot.press("end")
        assert "ORDER Team leader" not in log_of(await seen.text())


def log_of(text: str) -> str:
    return text[text.index("LOG") :]


async def test_a_screen_that_only_shows_can_be_searched() -> None:
    async with desk(WHOLE, 60, only_shows=True) as seen:
        await seen.pilot.press("/", *"ketamine")
        assert len(found(seen)) == 1


async def test_one_key_names_the_speaker_of_before() -> None:
    unknown = heard(25, "saturation ninety two percent")
    async with desk(case(ORDER, SATURATION, unknown), 30) as seen:
        await seen.pilot.press("=")
        assert "Airway operator spoke" in await seen.text()
        told = [fact for fact in seen.case.facts if isinstance(fact, SpeakerSet)]
    assert [(fact.target, fact.station) for fact in told] == [(4, "airway-operator")]


async def test_where_nobody_spoke_before_the_key_says_so() -> None:
    async with desk(case(heard(25, "saturation ninety two percent")), 30) as seen:
        await seen.pilot.press("=")
        assert "nothing was heard before on that channel: s says who spoke" in await seen.text()


async def test_the_speaker_of_before_is_that_of_the_utterance_just_before_and_of_no_older_one() -> (
    None
):
    unknown = [heard(t, "saturation ninety two percent") for t in (25, 28)]
    async with desk(case(ORDER, SATURATION, *unknown), 30) as seen:
        await seen.pilot.press("=")
        text = await seen.text()
        assert "who spoke before, at 00:25, is not known: s says who spoke" in text
        assert not [fact for fact in seen.case.facts if isinstance(fact, SpeakerSet)]


async def test_the_speaker_of_before_is_that_of_the_same_channel() -> None:
    unknown = heard(25, "saturation ninety two percent")
    async with desk(case(ORDER, replace(SATURATION, channel=2), unknown), 30) as seen:
        await seen.pilot.press("=")
        await seen.text()
        told = [fact.station for fact in seen.case.facts if isinstance(fact, SpeakerSet)]
    assert told == ["team-leader"]


async def test_the_speaker_of_before_is_stored_once_and_taken_back_from_the_card_too() -> None:
    unknown = heard(25, "anteroom send in bougie")
    async with desk(case(SATURATION, unknown), 60) as seen:
        assert "by Airway operator" not in await seen.text()
        await seen.pilot.press("=")
        assert "by Airway operator" in await seen.text()
        await seen.wait(TYPING_S)
        await seen.pilot.press("=")
        assert "Airway operator is named there already" in await seen.text()
        assert len([fact for fact in seen.case.facts if isinstance(fact, SpeakerSet)]) == 1
        await seen.wait(TYPING_S)
        await seen.pilot.press("u")
        after = await seen.text()
        assert "taken back: speaker Airway operator" in after
        assert "by Airway operator" not in after
        assert seen.case.view(60).waiting[0][0].sender is None


async def test_an_open_call_is_said_aloud_without_its_dose() -> None:
    async with desk(case(ORDER), 60, speaks=True) as seen:
        await seen.pilot.press("y")
        await seen.app.workers.wait_for_complete()
        (sentence,) = seen.said
    assert sentence.startswith("Nobody answered: Give")
    assert not any(word in sentence.lower() for word in ("ninety", "90", "mg"))


async def test_without_speech_the_key_says_how_to_switch_it_on() -> None:
    async with desk(case(ORDER), 60) as seen:
        await seen.pilot.press("y")
        assert "that needs --speak" in await seen.text()
