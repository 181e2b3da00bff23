"""A word typed where its first letter closes a dialog: the rest of it does nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from textual import events

from grammar.case.facts import SpeakerSet, Withdrawn
from tests.support.screens import ShownCase, case, desk, heard
from tui.dashboard import typing_guard
from tui.dashboard.typing_guard import BURST, NOT_TAKEN, TYPING_S, TypingGuard
from tui.dashboard.widgets import log

SATURATION = heard(10, "saturation ninety four percent")


def kinds(seen: ShownCase) -> list[str]:
    return [fact.kind for fact in seen.case.facts[2:]]


@pytest.fixture
def fast(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keys struck one after the other count as typed at once, however busy the machine is."""
    monkeypatch.setattr(typing_guard, "TYPING_S", 60.0)


@pytest.mark.usefixtures("fast")
async def test_a_station_typed_out_stores_its_first_letter_and_nothing_else() -> None:
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press("s", *"drugs", "space", *"nurse")
        assert kinds(seen) == ["speaker-set"]
        assert seen.app.box.dialog is None
        assert NOT_TAKEN in await seen.text()


@pytest.mark.parametrize("wait_s", [0.0, TYPING_S])
async def test_a_command_after_a_rest_is_taken_and_one_struck_in_the_same_breath_is_not(
    wait_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not wait_s:
        monkeypatch.setattr(typing_guard, "TYPING_S", 60.0)
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press("s", "d")
        await seen.pilot.pause(wait_s)
        await seen.pilot.press("u")
        gone = [fact for fact in seen.case.facts if isinstance(fact, Withdrawn)]
        assert any(isinstance(fact, SpeakerSet) for fact in seen.case.facts)
        assert bool(gone) == bool(wait_s)


async def test_digits_and_enter_are_commands_at_once() -> None:
    call = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
    async with desk(case(call), 15) as seen:
        await seen.text()
        await seen.pilot.press("h", "1")
        await seen.read_and_enter()
        await seen.pilot.press("m")
        assert kinds(seen)[-1] == "noted"


@pytest.mark.usefixtures("fast")
async def test_a_word_typed_where_nothing_is_open_opens_nothing() -> None:
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press(*"patient", "space", *"bp", "space", *"100", "enter")
        assert seen.app.box.dialog is None
        assert kinds(seen) == []
        await seen.pilot.press("m", "a")
        assert seen.app.box.dialog is None
        assert f"a {BURST}" in " ".join((await seen.text()).split())


async def test_a_letter_after_a_rest_and_a_dialog_typed_quickly_are_taken() -> None:
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press("m")
        await seen.wait(TYPING_S)
        await seen.pilot.press("v", "s", "9", "1", "enter", "m")
        assert kinds(seen) == ["noted", "entered", "noted"]


@pytest.mark.usefixtures("fast")
async def test_what_was_just_stored_is_taken_back_however_quickly() -> None:
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press("m", "u")
        assert kinds(seen) == ["noted", "withdrawn"]


@pytest.mark.parametrize("keys", [["s", "d"], ["="]])
async def test_a_line_that_has_just_come_gets_no_speaker_meant_for_the_one_before(
    keys: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log, "STANDS_S", 60.0)
    monkeypatch.setattr(typing_guard, "REFUSED_S", 60.0)
    first = heard(5, "heart rate one hundred", "drugs-nurse")
    async with desk(case(first, replace(SATURATION, sender="drugs-nurse")), 20) as seen:
        await seen.text()
        newer = heard(15, "pressure one thirty over eighty")
        seen.case.add(replace(newer, seq=len(seen.case.facts) + 1))
        seen.app.look()
        await seen.pilot.press(*keys)
        assert "speaker-set" not in kinds(seen)
        told = " ".join((await seen.text()).split())
        assert "a new line has just come, nothing is stored" in told or f"d {BURST}" in told
        assert seen.app.theme == "answerback-dark"
        monkeypatch.setattr(log, "STANDS_S", 0.0)
        seen.app._typing = typing_guard.TypingGuard()
        await seen.pilot.press(*keys)
        assert kinds(seen)[-1] == "speaker-set"


@pytest.mark.parametrize("leaves", ["escape", "enter"])
def test_letters_right_after_a_list_that_takes_several_are_no_keys(leaves: str) -> None:
    def struck(key: str, at: float) -> events.Key:
        event = events.Key(key, key if len(key) == 1 else None)
        event.time = at
        return event

    for follow in (True, False):
        guard = TypingGuard()
        guard.closed(struck(leaves, 1.0), letters_may_follow=follow)
        assert guard.goes_on(struck("m", 1.0 + TYPING_S / 2)) is follow
        guard.closed(struck(leaves, 1.0), letters_may_follow=follow)
        assert not guard.goes_on(struck("m", 1.1 + TYPING_S))


@pytest.mark.parametrize("leaves", ["escape", "enter"])
async def test_a_letter_meant_for_the_list_of_items_that_was_just_left_marks_nothing(
    leaves: str,
) -> None:
    async with desk(case(SATURATION), 60) as seen:
        await seen.text()
        seen.clock.stand()
        await seen.pilot.press("k", "s", leaves, "m")
        assert kinds(seen)[-1] == "ticked"
        assert NOT_TAKEN in " ".join((await seen.text()).split())
