"""An utterance put right by hand: what it is going to mean is seen before, and told afterwards."""

from __future__ import annotations

from typing import Literal

import pytest

from grammar.case.facts import Amended, Fact, SecondHearing
from grammar.language.words import Word
from tests.support.screens import ShownCase, case, desk, heard, status
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.text.wording import CHOSEN

FENTANYL = heard(10, "drugs nurse give fifteen micrograms of fentanyl", "team-leader")
"""An order, misheard, of an invented case."""


def keys(text: str) -> list[str]:
    return ["space" if char == " " else char for char in text]


def shown(seen: ShownCase) -> str:
    return str(seen.app.box.content)


def amended(seen: ShownCase) -> list[str]:
    return [fact.words for fact in seen.case.facts if isinstance(fact, Amended)]


async def write(seen: ShownCase, text: str) -> None:
    await seen.text()
    await seen.pilot.press("a", "e", *keys(text))


async def test_an_order_typed_in_figures_is_the_order_that_was_spoken() -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await write(seen, "drugs nurse give 50 micrograms of fentanyl")
        assert "= ORDER: Give fentanyl 50 microgram → Drugs nurse" in shown(seen)
        await seen.read_and_enter()
        assert amended(seen) == ["drugs nurse give fifty micrograms of fentanyl"]
        assert "put right: ORDER: Give fentanyl 50 microgram" in await seen.text()
        (task, _), *_ = seen.case.view(20).tasks
        assert task.slots["amount"] == 50


async def test_words_that_are_no_call_are_stored_only_at_a_second_enter() -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await write(seen, "the weather is fine")
        assert "= no call of the protocol: it will count for nothing" in shown(seen)
        await seen.read_and_enter()
        assert "Enter again if that is meant" in shown(seen)
        # Who goes on typing has not said yes yet.
        await seen.wait(BOUNCE_S)
        await seen.pilot.press("r", "enter")
        assert amended(seen) == []
        assert seen.case.view(20).tasks
        # Nor has a key that bounces.
        await seen.pilot.press("enter")
        assert amended(seen) == []
        await seen.wait(BOUNCE_S)
        await seen.read_and_enter()
        assert amended(seen) == ["the weather is finer"]
        text = await seen.text()
    assert "no call of the protocol now, it counts for nothing" in text
    assert "put right: " not in text


@pytest.mark.parametrize(
    ("typed", "means"),
    [
        ("fifty micrograms", "= read back 50 microgram"),
        ("fentanyl 50 mcg", "= read back Fentanyl 50 microgram"),
        ("copy", "= acknowledge"),
        ("sats 94%", "= Saturation 94 %"),
        ("sats 940", "out of bounds: it will stay unsure"),
        ("give fifty micrograms fentanyl please now", "not word for word: it will stay unsure"),
    ],
)
async def test_what_is_typed_is_told_in_words_before_enter(typed: str, means: str) -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await write(seen, typed)
        assert means.lower() in shown(seen).lower()


def second(words: str, verdict: Literal["doubts", "puts-right"]) -> Fact:
    text = tuple(Word(word, 10.0, 12.0) for word in words.split())
    return SecondHearing(
        t=13.0,
        target=2,
        verdict=verdict,
        words=text,
        doubts=("second-listener",),
        confidence=0.6,
    )


@pytest.mark.parametrize("verdict", ["doubts", "puts-right"])
async def test_the_words_of_the_other_ear_are_the_first_guess(
    verdict: Literal["doubts", "puts-right"],
) -> None:
    other = "drugs nurse give eighty micrograms of fentanyl"
    told = case(FENTANYL, second(other, verdict))
    async with desk(told, 20) as seen:
        await seen.pilot.press("a")
        lines = shown(seen).splitlines()
    expected = FENTANYL.text if verdict == "puts-right" else other
    (first,) = [line for line in lines if line.lstrip().startswith("2 ")]
    assert expected in first


async def test_an_answer_that_answers_nothing_is_not_called_put_right() -> None:
    async with desk(case(heard(10, "sats ninety four", "airway-operator")), 20) as seen:
        await write(seen, "sixty seconds")
        await seen.read_and_enter()
        text = await seen.text()
    assert "answers nothing that is open: read back 60 s" in text
    assert "put right: " not in text


async def test_a_guess_that_is_chosen_is_told_by_what_it_now_is() -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await seen.text()
        await seen.pilot.press("a", "2", "wait:750", "enter")
        assert "put right: ORDER: Give fentanyl 50 microgram" in await seen.text()


@pytest.mark.parametrize(
    ("pressed", "words"),
    [
        (["right", *keys(" over")], "drugs nurse give fifteen micrograms of fentanyl over"),
        (["home", *keys("outside ")], "outside drugs nurse give fifteen micrograms of fentanyl"),
        (["backspace", *keys("copy")], "copy"),
        (["delete", *keys("copy")], "copy"),
        (keys("copy"), "copy"),
    ],
)
async def test_typing_replaces_what_was_heard_and_an_arrow_keeps_it(
    pressed: list[str], words: str
) -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await write(seen, "")
        await seen.pilot.press(*pressed, "wait:750", "enter")
        await seen.wait(BOUNCE_S)
        await seen.read_and_enter()
        assert amended(seen) == [words]


async def test_what_is_pasted_replaces_it_too() -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await write(seen, "")
        seen.app.box.paste("copy")
        await seen.read_and_enter()
        assert amended(seen) == ["copy"]


async def test_what_was_not_understood_is_not_in_the_box() -> None:
    async with desk(case(heard(10, "[unk] sats ninety four [unk]", None)), 20) as seen:
        await write(seen, "")
        assert "> sats ninety four\n" in shown(seen)
        assert "[unk]" not in shown(seen)


async def test_after_an_amendment_what_was_really_heard_is_still_offered() -> None:
    async with desk(case(FENTANYL), 20) as seen:
        await seen.text()
        await seen.pilot.press("a")
        assert "1 as heard: ORDER: Give fentanyl 15 microgram" in shown(seen)
        await seen.pilot.press("2", "wait:750", "enter")
        await seen.pilot.press("a")
        assert "1 as it stands: ORDER: Give fentanyl 50 microgram" in shown(seen)
        assert f"2 as heard: {FENTANYL.text}" in " ".join(shown(seen).split())
        assert shown(seen).count("fifteen") == 1
        await seen.pilot.press("2", "wait:750", "enter")
        assert "below the sheet's" in shown(seen)
        await seen.wait(BOUNCE_S)
        await seen.read_and_enter()
        assert amended(seen)[-1] == FENTANYL.text
        await seen.pilot.press("a")
        assert shown(seen).count("as heard:") == 0


async def test_the_utterance_that_is_put_right_is_marked_in_the_log_too() -> None:
    async with desk(case(heard(5, "room ready", "anteroom"), FENTANYL), 20, (100, 40)) as seen:
        await seen.text()
        await seen.pilot.press("a")
        assert f"{CHOSEN} 00:10 Team leader" in shown(seen)
        assert f"00:10{CHOSEN}ORDER" in await seen.text()
        await seen.pilot.press("up")
        text = await seen.text()
        assert f"00:05{CHOSEN}report" in text
        assert f"00:10{CHOSEN}" not in text
        await seen.pilot.press("escape")
        assert CHOSEN not in (await seen.text()).split("listening")[1]


async def test_what_is_not_understood_while_somebody_speaks_is_told_in_words() -> None:
    async with desk(case(), 20, told=status(partial="[unk] sats")) as seen:
        assert "hearing (not understood) sats" in await seen.text()
