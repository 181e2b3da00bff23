"""In a low terminal no dose and nothing overdue is hidden: what is less important gives way."""

from __future__ import annotations

import re

import pytest

from grammar.case.facts import Fact, Heard, WeightSet
from tests.support.screens import case, desk, heard
from tui.dashboard.widgets.unsure import UnsureStrip

LOW = (80, 24)
VITALS: tuple[Fact, ...] = (
    heard(40, "saturation ninety four percent"),
    heard(42, "heart rate one hundred and ten"),
    heard(44, "pressure one thirty over eighty"),
)
DRUGS = (
    ("seventy milligrams of ketamine", "ketamine 70 mg"),
    ("one hundred micrograms of fentanyl", "fentanyl 100 microgram"),
    ("one hundred milligrams of suxamethonium", "suxamethonium 100 mg"),
    ("seventy milligrams of rocuronium", "rocuronium 70 mg"),
)


def given(times: int) -> list[Heard]:
    """So many doses, the drugs in turn, each reported given."""
    return [heard(60 + 400 * at, f"{DRUGS[at % 4][0]} given", "drugs-nurse") for at in range(times)]


def side(screen: str) -> str:
    """The words of the column on the right."""
    return " ".join(" ".join(re.findall(r"│ (.*)", screen)).split())


@pytest.mark.parametrize("times", [2, 4, 7])
async def test_every_dose_stands_there_with_its_time(times: int) -> None:
    doses = given(times)
    async with desk(case(*VITALS, *doses), doses[-1].t + 30, LOW) as seen:
        told = side(await seen.text())
        for at, dose in enumerate(doses):
            assert DRUGS[at % 4][1].split()[0] in told
            assert f"{int(dose.t) // 60:02}:{int(dose.t) % 60:02}" in told, told
        assert not re.search(r"DOSES GIVEN \+", told), told


async def test_everything_overdue_stands_there_with_the_word_and_the_name() -> None:
    orders = [
        heard(10 + 20 * at, f"drugs nurse give {words}", "team-leader")
        for at, (words, _) in enumerate(DRUGS[:3])
    ]
    backs = [heard(14 + 20 * at, words, "drugs-nurse") for at, (words, _) in enumerate(DRUGS[:3])]
    said = sorted((*orders, *backs, *VITALS), key=lambda fact: fact.t)
    async with desk(case(*said), 400, LOW) as seen:
        told = side(await seen.text())
        for _, name in DRUGS[:3]:
            assert re.search(rf"!! OVERDUE \d\d:\d\d Give {name}", told), told
        assert not re.search(r"TASKS, due in \+", told)


async def test_an_odd_weight_is_told_whole() -> None:
    async with desk(case(WeightSet(t=5, weight_kg=7)), 30, LOW) as seen:
        second = (await seen.text()).splitlines()[1]
        assert "!! 7 kg" in second
        assert "…" not in second.split("Airway")[0]


@pytest.mark.parametrize(
    ("last", "value", "oldest"),
    [
        ("end tidal thirty eight", "38 mmHg", "SpO2"),
        ("saturation ninety one percent", "91 %", "Heart rate"),
    ],
)
async def test_where_not_every_vital_sign_fits_the_newest_stands_and_the_oldest_hides(
    last: str, value: str, oldest: str
) -> None:
    """Whichever place each has: the end-tidal was called last at first, and stands last."""
    doses = given(4)
    newest = heard(doses[-1].t + 10, last)
    said = (*VITALS, heard(46, "end tidal thirty six"), *doses, newest)
    async with desk(case(*said), newest.t + 5, LOW) as seen:
        told = side(await seen.text())
        assert "VITAL SIGNS, age +1 more" in told
        assert value in told
        names = ("SpO2", "Heart rate", "Pressure", "EtCO2")
        assert [name for name in names if name not in told] == [oldest], told


async def test_the_kind_of_call_goes_sooner_than_the_second_value_of_a_doubtful_dose() -> None:
    doubtful = heard(10, "drugs nurse give fifty micrograms of fentanyl", None, 0.2)
    async with desk(case(doubtful), 20, LOW) as seen:
        await seen.text()
        (said,) = seen.case.view(20).unsure
        _, guesses = seen.app.query_one(UnsureStrip)._item(0, said, 2)
        assert guesses.plain.strip() == "1 fentanyl 50 microgram   2 or 15 microgram"


@pytest.mark.parametrize("waiting", [4, 5, 6])
async def test_each_of_six_calls_stands_above_a_page_that_would_take_all_rows(waiting: int) -> None:
    doses = (f"drugs nurse give {words}" for words, _ in DRUGS)
    others = ("anteroom send in the bougie", "airway operator tube size eight")
    said = [heard(10 + 6 * at, text) for at, text in enumerate((*doses, *others))][:waiting]
    async with desk(case(*said), 100, (80, 28)) as seen:
        await seen.text()
        await seen.pilot.press("o")
        above = (await seen.text()).split("╭")[0]
        assert f"WAITING {waiting}" in above
        assert "more waiting" not in above, above
