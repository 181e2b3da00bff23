"""What stands in brackets in the log is explained in the help."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from grammar.case.facts import Amended, Entered, Fact, SecondHearing
from grammar.language.words import Word
from tests.support.screens import case, desk, heard, status
from tui.dashboard.widgets.help import BRACKETS
from tui.text.wording import FLAG_WORDS

ORDER = heard(10, "drugs nurse give fifteen milligrams of ketamine", "team-leader")
READY = heard(12, "room ready", "anteroom")


def surely(text: str, *doubts: str) -> SecondHearing:
    """What the sure ear made of the fact before."""
    words = tuple(Word(word, 10.0, 12.0) for word in text.split())
    return SecondHearing(
        t=12.0, target=2, verdict="rescues", words=words, doubts=doubts, confidence=0.9
    )


SAID: dict[str, tuple[Fact, ...]] = {
    "unsure": (replace(ORDER, confidence=0.2),),
    "number unclear": (ORDER,),
    "digits disagree": (heard(10, "give fifteen five zero milligrams of ketamine"),),
    "heard two ways": (replace(ORDER, doubts=("second-listener",)),),
    "another reading is near": (replace(ORDER, doubts=("another-near",)),),
    "out of bounds": (heard(10, "sats seven"),),
    "not word for word": (heard(10, "moving on to the plan bravo now"),),
    "not understood": (heard(10, "[unk]"),),
    "while a card was read": (replace(ORDER, doubts=("card",)),),
    "heard late": (replace(ORDER, late_s=9.0),),
    "by one hearing only": (replace(ORDER, doubts=("one-ear",)),),
    "may be a call for help": (heard(10, "need help", confidence=0.2),),
    "by the second hearing": (heard(10, "[unk]"), surely("saturation ninety percent")),
    "differs": (ORDER, heard(15, "fifty milligrams of ketamine", "drugs-nurse")),
    "answers nothing": (heard(10, "sixty seconds"),),
    "correction in doubt": (ORDER, heard(15, "negative seventy", "team-leader", 0.2)),
    "fits several calls": (
        READY,
        heard(13, "oxygen on", "airway-operator"),
        heard(15, "copy", "outside"),
    ),
    "repeat": (ORDER, heard(15, ORDER.text, "team-leader")),
    "put right": (
        ORDER,
        Amended(t=20, target=2, words="drugs nurse give fifty milligrams ketamine"),
    ),
    "entered": (Entered(t=10, call="room-ready"),),
    "timer ...": (heard(10, "timer sixty", "team-leader"), heard(71, "timer complete", "outside")),
    "NOT STORED YET": (ORDER,),
}
"""Facts of invented cases, after which the log has that in brackets."""


def brackets(text: str) -> set[str]:
    return {re.sub("^timer .*", "timer ...", each) for each in re.findall(r"\((.+?)\)", text)}


def test_every_flag_is_tried_here() -> None:
    assert set(SAID) == set(BRACKETS)
    assert set(FLAG_WORDS.values()) <= set(BRACKETS)


@pytest.mark.parametrize("flag", SAID)
async def test_the_log_says_it_in_brackets_and_nothing_that_is_not_explained(flag: str) -> None:
    told = status(unstored_from=2 if flag.isupper() else None)
    async with desk(case(*SAID[flag]), 80, (160, 120), told) as seen:
        # Without the side column, and as one line: a bracket may go on in the next row.
        rows = (row.split("│")[0] for row in (await seen.text()).split("\n LOG")[1].splitlines())
        lines = " ".join(" ".join(rows).split())
        assert flag in brackets(lines)
        assert brackets(lines) <= set(BRACKETS)


async def test_the_help_explains_all_that_the_log_says_in_brackets() -> None:
    async with desk(case(ORDER), 80, (160, 120)) as seen:
        await seen.text()
        await seen.pilot.press("question_mark")
        told = await seen.text()
    for flag, meaning in BRACKETS.items():
        assert f"({flag}) {meaning}" in told


async def test_a_number_that_a_person_put_right_needs_no_second_look() -> None:
    async with desk(case(*SAID["put right"]), 25, (160, 40)) as seen:
        assert "(number unclear)" not in await seen.text()
