"""The one thing to see first: what, to whom, what is wrong, how long."""

from __future__ import annotations

import pytest

from grammar.case.facts import Confirmed, Fact, Heard, Withdrawn
from grammar.language.words import Word
from tests.support.screens import case, desk, heard, protocol
from tui.text.urgent import Urgent, most_urgent, still_open
from tui.text.wording import POSSIBLE_HELP_WORDS

ORDER = heard(10, "drugs nurse give rocuronium fifty milligrams", "team-leader")
WRONG = heard(15, "rocuronium fifteen milligrams", "drugs-nurse")
TIMER = heard(1, "outside start timer sixty seconds", "team-leader")
SIZES = [(80, 24), (120, 40), (200, 60)]


def unclear(t: float, likely: str) -> Heard:
    """Speech that was not understood, with its likeliest words."""
    return Heard(t=t, until=t + 1, words=(Word("[unk]", t, t + 1, 0.2),), likely=likely)


def at(now: float, *facts: Fact) -> Urgent:
    return most_urgent(protocol(), case(*facts).view(now))


def test_a_call_that_nobody_answers_says_what_to_whom_what_is_wrong_and_how_long() -> None:
    found = at(60, ORDER)
    assert (found.kind, found.what, found.to) == (
        "unanswered",
        "Give rocuronium 50 mg (number unclear)",  # fifty sounds like fifteen
        "Drugs nurse",
    )
    assert found.wrong == "UNANSWERED"
    assert found.age_s == pytest.approx(60 - ORDER.until)
    assert found.figures.lower() == "rocuronium 50 mg"  # drug and dose, as called


def test_a_read_back_that_differs_shows_both_numbers() -> None:
    found = at(20, ORDER, WRONG)
    assert found.kind == "differs"
    assert found.wrong == "READ BACK 15 mg, called 50 mg"
    assert found.figures == "50 mg  ≠  15 mg"


def test_a_possible_call_for_help_comes_before_all_else() -> None:
    assert at(60, ORDER, WRONG, unclear(30, "need help")).kind == "help"
    assert at(60, ORDER, WRONG, unclear(30, "ready when you are")).kind == "differs"


def test_it_stays_until_a_person_says_it_was_none() -> None:
    loud = (unclear(3, "need help"),)
    assert at(600, *loud).kind == "help"
    assert at(600, *loud, Withdrawn(t=20, target=2)).kind == "none"


def test_a_doubtful_call_for_help_is_as_loud_and_becomes_a_call_once_confirmed() -> None:
    doubtful = heard(5, "need help", "airway-operator", 0.2)
    assert at(6, doubtful).kind == "help"
    assert at(6, doubtful, Confirmed(t=6, target=2)).what == "CALL FOR HELP: Help needed"


def test_one_doubtful_cry_for_help_is_counted_once() -> None:
    doubtful = heard(5, "need help", "airway-operator", 0.2)
    alone = at(6, doubtful)
    assert (alone.what, alone.settles) == (f"{POSSIBLE_HELP_WORDS}: need help", "help-called")
    certain = heard(1, "outside call for help", "team-leader")
    assert at(8, certain, doubtful).what == "CALL FOR HELP +1 possible: Help needed"
    assert still_open(case(doubtful).view(6)) == "Still open: 1 call waits (1 unsure)."
    vital = heard(7, "saturation ninety four percent", "airway-operator", 0.2)
    both = case(doubtful, vital).view(9)
    assert still_open(both) == "Still open: 1 call waits (1 unsure); 1 more unsure."


def test_a_timer_that_is_up_comes_before_a_call_inside_its_window() -> None:
    late = heard(70, "drugs nurse give rocuronium fifty milligrams", "team-leader")
    answered = heard(4, "start timer sixty seconds", "outside")
    assert at(73, TIMER, answered, late).kind == "time-up"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("keys", [(), ("o",), ("question_mark",), ("c",), ("a",), ("n",)])
async def test_it_is_in_sight_in_every_size_and_under_every_dialog(
    size: tuple[int, int], keys: tuple[str, ...]
) -> None:
    async with desk(case(ORDER, WRONG), 30, size=size) as seen:
        if keys:
            await seen.pilot.press(*keys)
        text = await seen.text()
        assert "Give rocuronium 50 mg" in text
        assert "READ BACK 15 mg, called 50 mg" in text
        assert "WAITING 1" in text
