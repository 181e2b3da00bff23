"""Calls, doses and times as a team reads them."""

from __future__ import annotations

import re
import time
import unicodedata
from datetime import timedelta
from decimal import Context, Decimal, localcontext

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from grammar.language.meaning import Slots
from grammar.times import duration
from tests.support.screens import protocol
from tui.text import wording


@given(st.floats(0, 3599.99))
def test_times_within_the_hour_read_as_the_standard_library_writes_them(seconds: float) -> None:
    # Python's time.strftime is the reference.
    assert wording.clock(seconds) == time.strftime("%M:%S", time.gmtime(int(seconds)))


@given(st.integers(3600, 86_399))
def test_times_past_the_hour_read_as_the_standard_library_writes_them(seconds: int) -> None:
    # Python's timedelta is the reference.
    assert wording.clock(seconds) == str(timedelta(seconds=seconds))


def test_time_left_reads_zero_only_when_none_is_left() -> None:
    assert wording.left(0.2) == "00:01"
    assert wording.left(60.0) == "01:00"
    assert wording.left(0.0) == "00:00"


@pytest.mark.parametrize(
    ("call", "slots", "words"),
    [
        (
            "give-drug",
            {"drug": "ketamine", "amount": Decimal(90), "unit": "mg"},
            "Give ketamine 90 mg",
        ),
        ("start-timer", {"duration_s": Decimal(180)}, "Timer 3 min"),
        ("start-timer", {"duration_s": Decimal(60)}, "Timer 60 s"),
        ("start-timer", {"duration_s": Decimal(150)}, "Timer 2 min 30 s"),
        ("saturation", {"percent": Decimal(94)}, "Saturation 94 %"),
        (
            "blood-pressure",
            {"systolic": Decimal(130), "diastolic": Decimal(80)},
            "Blood pressure 130/80 mmHg",
        ),
        ("tube-size", {"mm": Decimal("7.50")}, "Tube size 7.5 mm"),
        ("tube-depth", {"cm": Decimal(22)}, "Tube depth 22 cm"),
        ("switch-plan", {"plan": "bravo"}, "Change of plan Plan B"),
        ("send-in", {"item": "second-suction"}, "Send in second suction"),
        ("room-ready", {}, "Room ready"),
    ],
)
def test_a_call_reads_with_its_slots_in_words(call: str, slots: Slots, words: str) -> None:
    assert wording.call_in_words(protocol(), call, slots) == words


def test_a_differing_read_back_names_only_what_differs() -> None:
    called: Slots = {"drug": "rocuronium", "amount": Decimal(50), "unit": "mg"}
    wrong_amount: Slots = {"drug": "rocuronium", "amount": Decimal(15), "unit": "mg"}
    wrong_drug: Slots = {"drug": "ketamine", "amount": Decimal(50), "unit": "mg"}
    both = wording.called_and_read_back
    assert both(protocol(), "give-drug", called, wrong_amount) == ("50 mg", "15 mg")
    assert both(protocol(), "give-drug", called, wrong_drug) == ("rocuronium", "ketamine")


def test_a_read_back_in_another_unit_names_both_units() -> None:
    called: Slots = {"amount": Decimal(5), "unit": "mg"}
    said: Slots = {"amount": Decimal(5), "unit": "mL"}
    both = wording.called_and_read_back(protocol(), "give-drug", called, said)
    assert both == ("5 mg", "5 mL")


@given(st.text())
def test_nothing_that_could_steer_a_terminal_is_left_in_a_text(text: str) -> None:
    # Category C holds control (ECMA-48 C0, C1), format (Unicode bidirectional controls, UAX #9),
    # surrogate, private and unassigned characters; line and paragraph separators become blanks.
    left = wording.clean(text)
    assert all(unicodedata.category(char)[0] != "C" for char in left)
    assert "\u2028" not in left
    assert [c for c in left if c.isalnum()] == [c for c in text if c.isalnum()]


def test_a_text_that_needs_no_change_is_not_gone_through_by_character() -> None:
    # A long case cleans some millions of texts for its debrief.
    text = " ".join(["ketamine", "70 mg", "→ Drugs nurse"])
    assert wording.clean(text) is text


@given(st.floats(-1, 2), st.integers(1, 30))
def test_a_bar_keeps_its_width(fraction: float, width: int) -> None:
    assert len(wording.bar(fraction, width)) == width


def test_a_bar_is_full_half_and_empty() -> None:
    assert wording.bar(1, 4) == "████"
    assert wording.bar(0.5, 4) == "██··"
    assert wording.bar(0, 4) == "····"


def test_silence_has_no_level() -> None:
    assert "no sound" in wording.level(None)
    assert "no sound" in wording.level(float("-inf"))
    assert wording.level(0.0).startswith("████████ TOO LOUD")
    assert "quiet" in wording.level(-59.0)
    assert "a voice" in wording.level(-25.0)


@given(st.floats(0, allow_infinity=False, allow_nan=False))
@example(6e29)
def test_a_duration_of_any_length_is_told_whole(seconds: float) -> None:
    said = re.fullmatch(r"(?:([0-9]+) min)?(?: ?([0-9.]+) s)?", duration(seconds))
    assert said
    minutes, rest = (Decimal(part or 0) for part in said.groups())
    with localcontext(Context(prec=400)):
        assert 60 * minutes + rest == Decimal(str(seconds))
