"""The ten tasks of the README, and ten more of the tour, done with the keys that stand there."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from grammar.case.facts import Fact, Heard
from grammar.case.view import View
from grammar.language.words import Word
from tests.support.places import README, ROOT
from tests.support.screens import ShownCase, case, desk, heard
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.keys import TABLE
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.urgent import UrgentLine

TOUR = ROOT / "tui" / "dashboard" / "README.md"

FIFTEEN = heard(20, "drugs nurse give fifteen milligrams of ketamine", "team-leader")
SEVENTY = heard(20, "drugs nurse give seventy milligrams of ketamine", "team-leader")
SEVENTEEN = heard(24, "seventeen milligrams of ketamine", "drugs-nurse")
DOUBTFUL = heard(30, "heart rate ninety", None, 0.2)
TIMER = heard(5, "timer sixty", "team-leader")


def view(seen: ShownCase) -> View:
    return seen.case.view(seen.now)


def values(seen: ShownCase) -> dict[str, str]:
    return {sign.id: sign.text for sign in seen.case.view(seen.now).latest_vitals}


def loops(seen: ShownCase) -> dict[int, str]:
    return {loop.id: state for loop, state in seen.case.view(seen.now).loops}


def last_speaker(seen: ShownCase) -> str | None:
    said = [line.utterance for line in seen.case.view(seen.now).log if line.utterance]
    return said[-1].sender


TASKS: dict[str, tuple[tuple[Fact, ...], Callable[[ShownCase], bool]]] = {
    "saturation": ((), lambda seen: values(seen) == {"saturation": "94"}),
    "waiting calls": ((FIFTEEN,), lambda seen: loops(seen) == {2: "closed"}),
    "17 mg": (
        (SEVENTY, SEVENTEEN, heard(30, "oxygen is on", "airway-operator")),
        lambda seen: loops(seen)[2] == "closed",
    ),
    "fentanyl": (
        (heard(10, "give one hundred micrograms of fentanyl", "team-leader"), SEVENTY),
        lambda seen: seen.app.query_one(RunningLog).found == 2,
    ),
    "Nobody said": ((FIFTEEN,), lambda seen: not loops(seen)),
    "drugs nurse": ((DOUBTFUL,), lambda seen: last_speaker(seen) == "drugs-nurse"),
    "three minutes": (
        (),
        lambda seen: [t.duration_s for t, _ in seen.case.view(seen.now).timers] == [180],
    ),
    "minute more": (
        (TIMER,),
        lambda seen: seen.case.view(35).timers[0][0].due == TIMER.until + 120,
    ),
    "suction": ((), lambda seen: "suction" in seen.case.view(35).checklists[0].answered),
    "debrief": (
        (),
        lambda seen: [fact.kind for fact in seen.case.facts[1:]] == ["noted", "withdrawn"],
    ),
}

HELP = Heard(t=22, until=23, words=(Word("[unk]", 22, 23, 0.2),), likely="need help")
MORE: dict[str, tuple[tuple[Fact, ...], Callable[[ShownCase], bool]]] = {
    "reported given": ((), lambda seen: [d.drug for d in view(seen).doses] == ["ketamine"]),
    "take the order": (
        (),
        lambda seen: [fact.kind for fact in seen.case.facts[1:]] == ["entered", "withdrawn"],
    ),
    "right as heard": ((DOUBTFUL,), lambda seen: values(seen) == {"heart-rate": "90"}),
    "none of the guesses": ((DOUBTFUL,), lambda seen: values(seen) == {"heart-rate": "66"}),
    "answered at 0:25": ((FIFTEEN,), lambda seen: view(seen).loops[0][0].closed == 25),
    "twenty seconds ago": ((), lambda seen: [v.t for v in view(seen).vitals] == [15]),
    "was none": (
        (HELP,),
        lambda seen: not view(seen).possible_help and seen.case.facts[-1].kind == "confirmed",
    ),
    "urgent line in sight": (
        (FIFTEEN,),
        lambda seen: (
            seen.app.box.dialog is not None
            and "Give ketamine 15 mg" in str(seen.app.query_one(UrgentLine).content)
        ),
    ),
    "Ctrl-C": (
        (FIFTEEN, HELP),
        lambda seen: seen.app.is_running and seen.app.box.dialog is None,
    ),
    "bougie": ((), lambda seen: [loop.call for loop, _ in view(seen).loops] == ["send-in"]),
}

NAMES = {
    "Enter": "enter",
    "Tab": "tab",
    "Space": "space",
    "Esc": "escape",
    "Ctrl-C": "ctrl+c",
    ":": "colon",
}


def rows(page: Path = README) -> list[tuple[str, list[str]]]:
    """(task, keys) of a page's table."""
    table = page.read_text(encoding="utf-8").split("| task | keys |")[1].split("\n\n")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ")]
    found = []
    for line in lines:
        _, task, keys, _ = line.split("|")
        found.append((task.strip(), [NAMES.get(k, k) for k in re.findall(r"`(.+?)`", keys)]))
    return found


async def slowly(seen: ShownCase, keys: list[str]) -> None:
    """Press keys, and read what stands there before an Enter."""
    for key in keys:
        if key == "enter":
            await seen.wait(BOUNCE_S)
        await seen.pilot.press(key)


def test_there_are_ten_tasks_and_each_is_done_here() -> None:
    assert len(rows()) == len(TASKS) == 10


@pytest.mark.parametrize("name", TASKS)
async def test_a_task_is_done_by_the_keys_in_the_readme(name: str) -> None:
    facts, done = TASKS[name]
    ((_, keys),) = [row for row in rows() if name in row[0]]
    async with desk(case(*facts), 35) as seen:
        await seen.text()
        assert not done(seen)
        await slowly(seen, keys)
        await seen.pilot.pause()
        assert done(seen)


def test_there_are_ten_more_and_each_is_done_here() -> None:
    assert len(rows(TOUR)) == len(MORE) == 10


@pytest.mark.parametrize("name", MORE)
async def test_one_of_ten_more_is_done_by_the_keys_in_the_tour(name: str) -> None:
    facts, done = MORE[name]
    ((_, keys),) = [row for row in rows(TOUR) if name in row[0]]
    async with desk(case(*facts), 35) as seen:
        await seen.text()
        assert name == "Ctrl-C" or not done(seen)
        await seen.pilot.press(*keys[:1])
        asked = seen.app.box.dialog is not None
        await slowly(seen, keys[1:])
        await seen.pilot.pause()
        assert done(seen)
        assert asked or name == "none of the guesses"


async def test_the_help_screen_alone_tells_how_each_task_begins() -> None:
    async with desk(case(), 35, (110, 110)) as seen:
        await seen.text()
        await seen.pilot.press("question_mark")
        told = await seen.text()
    for task, keys in rows():
        first = next(key for key in TABLE if key.key == keys[0] and key.place == "dashboard")
        assert first.what in told, task
