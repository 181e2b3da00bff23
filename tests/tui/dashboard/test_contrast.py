"""All text of every screen can be read: contrast in every theme, and a word beside every colour."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from rich.color_triplet import ColorTriplet
from textual.app import App
from textual.pilot import Pilot

from tests.support.screens import case, desk, protocol, status, strips
from tests.tui.dashboard.test_dashboard import DRILL
from tests.tui.dashboard.test_desk import COMMANDS, Told, place  # noqa: F401  (a fixture)
from tests.tui.dashboard.test_desk_pictures import Still
from tui.dashboard.desk import MARKS, Desk
from tui.dashboard.palette import THEMES
from tui.dashboard.preflight import Preflight
from tui.dashboard.settings import Settings
from tui.text.wording import STATE_MARKS, STATE_WORDS

pytestmark = pytest.mark.usefixtures("only_looked_at")


def luminance(color: ColorTriplet) -> float:
    """Relative luminance, WCAG 2.1 (https://www.w3.org/TR/WCAG21/#dfn-relative-luminance)."""
    parts = [c / 255 for c in color]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: ColorTriplet, other: ColorTriplet) -> float:
    """Contrast ratio, WCAG 2.1 (https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_21_for_black_on_white() -> None:
    # The ends of the scale that WCAG 2.1 states with its definition: 1 and 21.
    black, white = ColorTriplet(0, 0, 0), ColorTriplet(255, 255, 255)
    assert contrast(black, white) == pytest.approx(21)
    assert contrast(white, white) == 1


DIALOGS = ((), ("c",), ("c", "t", "x", "enter"), ("a",), ("k",), ("h",), ("t",))
DRAWN = [
    (status(), DIALOGS),
    (status(ended=True), (("question_mark",),)),
    (status(failure="It broke."), (("r",),)),
]


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("told", "dialogs"), DRAWN, ids=("listening", "ended", "failed"))
async def test_all_text_has_the_contrast_that_wcag_asks_for(told, dialogs, theme) -> None:  # type: ignore[no-untyped-def]
    # WCAG 2.1, success criterion 1.4.3: at least 4.5 : 1.
    found: dict[tuple[ColorTriplet, ColorTriplet], str] = {}
    async with desk(case(*DRILL), 58, told=told, settings=Settings(theme=theme)) as seen:
        for keys in dialogs:
            await seen.pilot.press(*keys)
            for now in (58, 400):
                await seen.at(now)
                for screen in seen.app.screen_stack:
                    found |= {pair: text for pair, text in strips(screen) if text.strip()}
            while len(seen.app.screen_stack) > 1:
                await seen.pilot.press("escape")
    assert len(found) >= 5
    weak = {text: contrast(*pair) for pair, text in found.items() if contrast(*pair) < 4.5}
    assert weak == {}


Pairs = dict[tuple[ColorTriplet, ColorTriplet], str]


def weak(found: Pairs) -> dict[str, float]:
    return {text: contrast(*pair) for pair, text in found.items() if contrast(*pair) < 4.5}


async def drawn(pilot: Pilot[Any], *keys: str) -> Pairs:
    """Colours and a text in them after each of these keys."""
    found: Pairs = {}
    for key in ("", *keys):
        if key:
            await pilot.press(key)
        await pilot.app.workers.wait_for_complete()
        await pilot.pause(0.2)
        for screen in pilot.app.screen_stack:
            found |= {pair: text for pair, text in strips(screen) if text.strip()}
    return found


BRIEFED = ("r", "a", "n", "x", "enter", "w", "x", "enter")
"""Recording off, consent given aloud, a note, a weight that is none."""


@pytest.mark.parametrize("theme", THEMES)
async def test_the_briefing_has_the_contrast(theme: Any) -> None:
    quiet = Still(lambda: pytest.fail("no sound is wanted"))
    app = Preflight(protocol(), weight_kg=70, record=True, check=quiet, colours=theme)
    async with app.run_test(size=(100, 30)) as pilot:
        found = await drawn(pilot, *BRIEFED)
    assert len(found) >= 5
    assert weak(found) == {}


@pytest.mark.parametrize("theme", THEMES)
async def test_the_desk_has_the_contrast(theme: Any, place: Path) -> None:  # noqa: F811
    app: App[None] = Desk(place, COMMANDS, Told(), theme)
    async with app.run_test(size=(120, 24)) as pilot:
        found = await drawn(pilot, "down", "p", "escape", "down")
    assert len(found) >= 5
    assert weak(found) == {}


@pytest.mark.parametrize("theme", THEMES)
async def test_the_handover_has_the_contrast(theme: Any) -> None:
    async with desk(case(*DRILL), 70, settings=Settings(theme=theme)) as seen:
        found = await drawn(seen.pilot, "o", "pagedown")
    assert len(found) >= 5
    assert weak(found) == {}


@pytest.mark.parametrize("theme", THEMES)
async def test_other_dialogs_have_the_contrast(theme: Any) -> None:
    async with desk(case(*DRILL), 70, settings=Settings(theme=theme)) as seen:
        found = await drawn(seen.pilot, *("n", "x", "escape", "s", "escape", "q", "escape"))
        found |= await drawn(seen.pilot, "c", "tab", "escape", "escape", "t", "x")
    assert weak(found) == {}


def test_every_state_of_a_call_and_of_a_case_has_a_mark_and_a_word_besides_its_colour() -> None:
    assert len(set(STATE_MARKS.values())) == len(STATE_MARKS)
    assert set(STATE_WORDS) == set(STATE_MARKS)
    assert len(set(MARKS.values())) == len(MARKS)
    assert all(each.split()[-1].isalpha() for each in MARKS.values())


async def test_the_desk_says_in_words_which_case_is_chosen(place: Path) -> None:  # noqa: F811
    app = Desk(place, COMMANDS, Told())
    async with app.run_test(size=(120, 24)) as pilot:
        await drawn(pilot, "down")
        chosen = app._chosen()
        assert chosen
        assert f"chosen: {chosen.folder.name}" in str(app.query_one("#title").content)  # type: ignore[attr-defined]
