"""One table of keys: documented, without conflict, and the user's own where a settings file says so."""

from __future__ import annotations

import asyncio
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest

from grammar.errors import UserError
from tests.support.places import DASHBOARD_PAGE
from tests.support.screens import case, desk, heard
from tests.tools.fuzz_keys import press, strike
from tui.dashboard.call_entry import in_order, letters, seconds, steps, typed
from tui.dashboard.keys import TABLE, KeyMap, textual_name
from tui.dashboard.settings import Settings, load_settings
from tui.dashboard.typing_guard import TYPING_S


def table_of_keys() -> str:
    text = DASHBOARD_PAGE.read_text(encoding="utf-8")
    return text.split("## Keys")[1].split("\n## ")[0]


@pytest.mark.parametrize("key", TABLE, ids=lambda key: key.id)
def test_every_key_stands_on_the_page_with_its_name_for_the_settings(key) -> None:  # type: ignore[no-untyped-def]
    row = next(line for line in table_of_keys().splitlines() if f"`{key.id}`" in line)
    assert f"`{KeyMap().shown(key.id)}`" in row


@pytest.mark.parametrize("key", TABLE, ids=lambda key: key.id)
def test_every_key_of_the_dashboard_stands_in_the_footer(key) -> None:  # type: ignore[no-untyped-def]
    if key.place != "dashboard":
        return
    foot = " ".join(shown for shown, _ in KeyMap().foot())
    shown = KeyMap().shown(key.id)
    if key.id.startswith("unsure"):
        assert "1-7" in foot
    elif key.id in ("page-up", "page-down"):
        assert "Pg↑↓" in foot
    else:
        assert shown in foot


def settings(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_without_a_file_all_is_as_usual(tmp_path: Path) -> None:
    assert load_settings(tmp_path / "none.toml") == Settings()


async def test_a_key_of_ones_own_takes_the_place_of_the_usual_one(tmp_path: Path) -> None:
    own = settings(tmp_path, 'theme = "contrast"\n[keys]\nmark = "x"\nhelp = "f1"\n')
    async with desk(case(), 5, settings=own) as seen:
        text = await seen.text()
        assert "x\N{NO-BREAK SPACE}mark" in text or "x mark" in text
        assert seen.app.theme == "answerback-contrast"
        await seen.pilot.press("m")
        assert len(seen.case.facts) == 1
        await seen.wait(TYPING_S)
        await seen.pilot.press("x")
        assert len(seen.case.facts) == 2
        await seen.pilot.press("f1")
        assert "HELP" in await seen.text()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("theme = ", "TOML"),
        ('theme = "pink"', "theme"),
        ("sound = 3", "no such setting"),
        ('[keys]\nmarc = "x"', 'no key is called "marc"'),
        ('[keys]\nmark = "n"', "both note and mark"),
        ('[keys]\nmark = "xyz"', "is no key"),
        ('[keys]\nwords = "3"', "chooses or writes"),
        ('[keys]\nenter-back = "x"', "chooses or writes"),
        ('[keys]\nclose = "w"', "both weight and close"),
    ],
)
def test_a_mistake_in_the_settings_is_told_in_a_sentence_that_names_the_file(
    tmp_path: Path, text: str, says: str
) -> None:
    with pytest.raises(UserError) as caught:
        settings(tmp_path, text)
    assert says in str(caught.value)
    assert "settings.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_settings_on_the_page_are_valid() -> None:
    text = DASHBOARD_PAGE.read_text(encoding="utf-8").split("```toml")[1].split("```")[0]
    assert Settings.model_validate(tomllib.loads(text)).keys


def test_the_same_character_is_the_same_key_however_it_is_written() -> None:
    assert textual_name("?") == "question_mark"
    assert textual_name("F5") == "f5"
    with pytest.raises(ValueError, match="both"):
        KeyMap({"mark": "?"})


def test_every_call_of_the_shipped_protocols_has_a_letter_of_its_own() -> None:
    from grammar.protocol.loading import load_protocol

    for name in ("isolation-airway", "adult-arrest"):
        titles = [call.title for call in in_order(load_protocol(name).call)]
        found = letters(titles)
        assert len({letter.lower() for letter in found}) == len(titles), "case alone parts none"
        assert all(found)


def test_letters_follow_the_titles_and_skip_what_all_of_them_share() -> None:
    assert letters(["Saturation", "Suction", "Heart rate"]) == ["s", "u", "h"]
    assert letters(["Plan A", "Plan B"]) == ["a", "b"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("90", 90),
        ("90s", 90),
        ("90 seconds", 90),
        ("3m", 180),
        ("3 min", 180),
        ("3 minutes", 180),
        ("1 minute 30 sec", 90),
        ("1m30", 90),
        ("3:00", 180),
    ],
)
def test_durations_as_people_type_them(text: str, found: int) -> None:
    assert seconds(text) == found


@pytest.mark.parametrize("text", ["94", "94%", "94 %"])
def test_a_saturation_may_be_typed_with_its_sign(text: str) -> None:
    from grammar.protocol.loading import load_protocol

    protocol = load_protocol("isolation-airway")
    call = protocol.calls["saturation"]
    [step] = steps(protocol, call)
    assert typed(protocol, call, step, text=text, before={}) == [("percent", Decimal(94))]


@pytest.mark.parametrize("text", ["", "m", "soon", "-5", "0", "3:99", "999999999"])
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"duration|runs for"):
        seconds(text)


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_keys_on_each_others_heels_raise_nothing(seed: int) -> None:
    """`python -m tests.tools.fuzz_keys` presses a hundred thousand."""
    assert await press(seed, 80) > 0


async def test_a_dialog_left_before_it_is_drawn_leaves_the_dashboard_whole() -> None:
    shown = case(heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"))
    async with desk(shown, 20) as seen:
        for turns in range(12):
            for opens in "ac":
                await strike(seen, opens)
                for _ in range(turns):  # of the loop, in which a dialog is made ready
                    await asyncio.sleep(0)
                await strike(seen, "escape")
        assert "ketamine" in await seen.text()
        assert seen.app.box.dialog is None


@pytest.mark.parametrize("ends", ["q", "e"])
@pytest.mark.parametrize("then", ["a", "c", "o", "ctrl+u"])
@pytest.mark.parametrize("turns", [0, 1, 3, 9])
async def test_a_key_struck_just_after_one_that_ends_the_case_or_does_not_raises_nothing(
    ends: str, then: str, turns: int
) -> None:
    shown = case(heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"))
    async with desk(shown, 20) as seen:
        await strike(seen, "q")
        await strike(seen, ends)
        for _ in range(turns):  # of the loop, in which the application is taken down
            await asyncio.sleep(0)
        for _ in range(3):
            await strike(seen, then)
    assert [fact.kind for fact in shown.facts] == ["case-started", "heard"], "nothing was stored"
