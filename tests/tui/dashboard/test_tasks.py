"""The ten tasks of the README, done with the keys that stand there."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from grammar.case.facts import Fact
from tests.support.places import README
from tests.support.screens import Desk, case, desk, heard

FIFTEEN = heard(20, "drugs nurse give fifteen milligrams of ketamine", "team-leader")
DOUBTFUL = heard(30, "heart rate ninety", None, 0.2)
TIMER = heard(5, "timer sixty", "team-leader")


def values(seen: Desk) -> dict[str, str]:
    return {sign.id: sign.text for sign in seen.case.view(seen.now).latest_vitals}


def loops(seen: Desk) -> dict[int, str]:
    return {loop.id: state for loop, state in seen.case.view(seen.now).loops}


def last_speaker(seen: Desk) -> str | None:
    said = [line.utterance for line in seen.case.view(seen.now).log if line.utterance]
    return said[-1].sender


TASKS: dict[str, tuple[tuple[Fact, ...], Callable[[Desk], bool]]] = {
    "saturation": ((), lambda seen: values(seen) == {"saturation": "94"}),
    "waiting calls": ((FIFTEEN,), lambda seen: loops(seen) == {2: "closed"}),
    "50 mg": (
        (FIFTEEN,),
        lambda seen: seen.case.view(35).loops[0][0].slots["amount"] == 50,
    ),
    "right as heard": ((DOUBTFUL,), lambda seen: values(seen) == {"heart-rate": "90"}),
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

NAMES = {"Enter": "enter"}


def rows() -> list[tuple[str, list[str]]]:
    """(task, keys) of the README's table."""
    table = README.read_text(encoding="utf-8").split("| task | keys |")[1].split("\n\n")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ")]
    found = []
    for line in lines:
        _, task, keys, _ = line.split("|")
        found.append((task.strip(), [NAMES.get(k, k) for k in re.findall(r"`(.+?)`", keys)]))
    return found


def test_there_are_ten_tasks_and_each_is_done_here() -> None:
    assert len(rows()) == len(TASKS) == 10


@pytest.mark.parametrize("name", TASKS)
async def test_a_task_is_done_by_the_keys_in_the_readme(name: str) -> None:
    facts, done = TASKS[name]
    ((_, keys),) = [row for row in rows() if name in row[0]]
    async with desk(case(*facts), 35) as seen:
        await seen.text()
        assert not done(seen)
        await seen.pilot.press(*keys)
        await seen.pilot.pause()
        assert done(seen)


@pytest.mark.parametrize("name", TASKS)
async def test_the_help_screen_alone_tells_how_each_task_begins(name: str) -> None:
    ((_, keys),) = [row for row in rows() if name in row[0]]
    from tui.dashboard.keys import TABLE

    first = next(key for key in TABLE if key.key == keys[0] and key.place == "dashboard")
    async with desk(case(), 35, (110, 110)) as seen:
        await seen.text()
        await seen.pilot.press("question_mark")
        assert first.what in await seen.text()
