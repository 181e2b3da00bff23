"""Somebody joins a case at key `j`: a yes is asked for, and the card is read while the case goes on."""

from __future__ import annotations

from dataclasses import replace

from tests.support.screens import case, desk
from tests.tui.dashboard.test_acting import reads


async def test_the_news_of_a_card_is_whole_where_the_terminal_is_narrow() -> None:
    """Whoever reads must see what to do next, below the sentence."""
    async with desk(case(), 60, (80, 24), joins=True) as seen:
        await seen.text()
        await seen.pilot.press("j", "d", "y")
        told = "a call of the case was heard: the sentence is still to be read"
        seen.status = replace(seen.status, card=replace(reads(seen), news=told))
        found = await seen.text()
        assert reads(seen).phrase in found  # the notice of the key takes the other row
        seen.app._notice = ""
        found = await seen.text()
        assert reads(seen).phrase in found
        assert told in found
        seen.status = replace(seen.status, card=None)
        assert told not in await seen.text()


class Answers:
    """Whether a yes was heard, as a test sets it."""

    def __init__(self) -> None:
        self.answer, self.unclear, self.closed = "", 0, False

    def close(self) -> None:
        self.closed = True


async def test_a_yes_that_is_said_aloud_begins_the_card_of_whoever_was_asked_and_of_nobody_else() -> (
    None
):
    async with desk(case(), 60, (80, 24), joins=True) as seen:
        heard: list[Answers] = []

        def hear_yes() -> Answers:
            heard.append(Answers())
            return heard[-1]

        seen.app._manual = replace(seen.app._manual, hear_yes=hear_yes)  # type: ignore[type-var]
        await seen.text()
        await seen.pilot.press("j")
        assert not heard  # nobody was asked yet
        await seen.pilot.press("d")
        assert "“yes, for this case only”" in await seen.text()
        heard[0].unclear = 1
        assert "that was no clear yes" in await seen.text()
        heard[0].answer = "no"
        await seen.text()
        assert heard[0].closed
        assert "no yes" in seen.app._notice
        assert not seen.cards
        await seen.pilot.press("j", "d", "escape")
        assert heard[1].closed
        await seen.pilot.press("j", "o")
        heard[2].answer = "case"
        assert "CARD 1/13 Outside, say: " in await seen.text()
        assert reads(seen).station == "outside"
        assert heard[2].closed


async def test_whoever_joins_is_not_known_without_a_yes_and_the_screen_shows_the_card() -> None:
    async with desk(case(), 60, joins=True) as seen:
        await seen.text()
        await seen.pilot.press("j", "o", "enter")
        assert not seen.cards
        assert "no yes" in seen.app._notice
        await seen.pilot.press("j", "d", "y")
        seen.app._notice = ""
        found = await seen.text()
        assert f"CARD 1/13 Drugs nurse, say: {reads(seen).phrase}" in found
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("j")
        assert "no microphone hears this case" in seen.app._notice
