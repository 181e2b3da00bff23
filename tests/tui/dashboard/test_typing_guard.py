"""A word typed where its first letter closes a dialog: the rest of it does nothing."""

from __future__ import annotations

import pytest

from grammar.case.facts import SpeakerSet, Withdrawn
from tests.support.screens import ShownCase, case, desk, heard
from tui.dashboard.typing_guard import NOT_TAKEN, TYPING_S

SATURATION = heard(10, "saturation ninety four percent")


def kinds(seen: ShownCase) -> list[str]:
    return [fact.kind for fact in seen.case.facts[2:]]


async def test_a_station_typed_out_stores_its_first_letter_and_nothing_else() -> None:
    async with desk(case(SATURATION), 20) as seen:
        await seen.text()
        await seen.pilot.press("s", *"drugs", "space", *"nurse")
        assert kinds(seen) == ["speaker-set"]
        assert seen.app.box.dialog is None
        assert NOT_TAKEN in await seen.text()


@pytest.mark.parametrize("wait_s", [0.0, TYPING_S])
async def test_a_command_after_a_rest_is_taken_and_one_struck_in_the_same_breath_is_not(
    wait_s: float,
) -> None:
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
