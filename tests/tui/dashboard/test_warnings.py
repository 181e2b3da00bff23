"""Warnings of the header stand whole in every size; the urgent line keeps its place below them."""

from __future__ import annotations

from datetime import datetime

import pytest

from tests.support.screens import case, desk, heard, status
from tui.dashboard.widgets.header import TURN_S, WARNING_ROWS, warning_rows

CALL = heard(10, "anteroom send in the bougie", "team-leader")
MANY = (
    "the sound is not recorded: the disk is full, less than 20 MB are left",
    "3 facts wait: the disk is full, less than 20 MB are left",
    "channel 2 has brought no sound for 120 s: is it switched on?",
    "hearing is 132 s behind, nothing is left out",
)


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
@pytest.mark.parametrize("trouble", MANY)
async def test_a_warning_is_whole_in_every_size(size: tuple[int, int], trouble: str) -> None:
    told = status(troubles=(trouble,), ears="heard only once: check each number (?)")
    async with desk(case(CALL), 60, size=size, told=told) as seen:
        lines = (await seen.text()).splitlines()
        at = next(at for at, line in enumerate(lines) if "Send in bougie" in line)
        assert f"!! {trouble}" in words(" ".join(lines[:at]))
        assert "listening" in lines[1] and "70 kg" in lines[1]
        seen.status = status()
        lines = (await seen.text()).splitlines()
        assert "!!" not in lines[1]
        assert seen.app._urgent.region.y == 2, "the rows are given back"


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
async def test_why_listening_stopped_is_told_to_its_end(size: tuple[int, int]) -> None:
    why = "nobody hears this case now; `answerback resume` goes on with it"
    async with desk(case(CALL), 60, size=size, told=status(failure=why)) as seen:
        lines = (await seen.text()).splitlines()
        assert f"!! LISTENING STOPPED: {why}" in words(" ".join(lines[:5]))
        assert "listening " not in lines[1].replace("not listening ", "")


async def test_more_warnings_than_there_are_rows_take_turns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async with desk(case(CALL), 60, size=(80, 24), told=status(troubles=MANY)) as seen:
        told = set()
        for second in range(0, 12, TURN_S):
            now = datetime(2025, 1, 1, 14, 5, second)
            monkeypatch.setattr(seen.app, "_wall", lambda now=now: now)
            lines = (await seen.text()).splitlines()
            assert seen.app._urgent.region.y == 2 + WARNING_ROWS, "nothing moves"
            at = next(at for at, line in enumerate(lines) if "Send in bougie" in line)
            told.add(words(" ".join(lines[2:at])))
        # The first two have one cause, and are one sentence.
        assert len(told) == 3
        assert any("1/3" in each and "3 facts wait: the disk is full" in each for each in told)
        assert any(MANY[2] in each for each in told)
        assert any(MANY[3] in each for each in told)


@pytest.mark.parametrize("width", [40, 78, 118, 198])
@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_each_warning_has_its_turn_within_the_rows(width: int, count: int) -> None:
    warnings = [f" !! {each} " for each in MANY[:count]]
    shown = [warning_rows(warnings, width, WARNING_ROWS, turn) for turn in range(count)]
    assert all(len(rows) <= WARNING_ROWS for rows in shown)
    assert all(row.cell_length <= width for rows in shown for row in rows)
    everything = words(" ".join(row.plain for rows in shown for row in rows))
    assert all(words(each) in everything for each in warnings)
