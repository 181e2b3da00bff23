"""The weight is entered during a case, and an odd one is asked about before a dose is judged by it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grammar.case.facts import CaseStarted, WeightSet
from grammar.case.fold import Case
from tests.support.screens import ShownCase, case, desk, heard, protocol

ORDER = heard(30, "drugs nurse give seventy milligrams of ketamine", "team-leader")


def weights(seen: ShownCase) -> list[float]:
    return [fact.weight_kg for fact in seen.case.facts if isinstance(fact, WeightSet)]


@pytest.mark.parametrize("typed", ["7", "700", "seventy", "-70", "0", "1e9"])
async def test_a_slip_is_not_stored_at_the_first_enter(typed: str) -> None:
    async with desk(case(), 20) as seen:
        await seen.text()
        await seen.pilot.press("w", *["minus" if c == "-" else c for c in typed], "enter")
        assert weights(seen) == []
        assert seen.app.box.dialog is not None and seen.app.box.dialog.error


async def test_an_odd_weight_is_stored_once_it_is_confirmed() -> None:
    async with desk(case(), 20) as seen:
        await seen.text()
        await seen.pilot.press("w", "7", "enter")
        assert "far from 70 kg" in str(seen.app.box.content)
        await seen.read_and_enter()
        assert weights(seen) == [7.0]


async def test_a_weight_entered_late_holds_for_the_doses_called_after_it() -> None:
    late = Case(protocol())
    late.add(CaseStarted(seq=1, protocol="isolation-airway"))
    async with desk(late, 20) as seen:
        await seen.text()
        await seen.pilot.press("w", *"70.5", "enter")
        assert weights(seen) == [70.5]
        assert "70.5 kg" in await seen.text()
        late.add(replace(ORDER, seq=3))
        (task, _), *_ = late.view(40).tasks
        assert late.view(40).weight_kg == 70.5 and task.slots["drug"] == "ketamine"
