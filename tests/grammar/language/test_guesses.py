"""What the recorder is offered when a word was misheard."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar.language.other_readings import Guesses
from grammar.language.parse import Understanding
from tests.support.case_facts import SENTENCES
from tests.support.screens import protocol

GUESSES = Guesses(protocol())
UNDERSTANDING = Understanding(protocol())


def guesses(text: str, heard_else: str = "") -> list[str]:
    found = GUESSES.of(text, UNDERSTANDING.read(text.split()), heard_else)
    return [guess.words for guess in found]


@pytest.mark.parametrize(
    ("heard", "meant"),
    [
        # Pennsylvania Patient Safety Advisory, June 2006: 15 mg ordered by telephone, 50 mg given.
        ("give fifteen milligrams of ketamine", "give fifty milligrams of ketamine"),
        ("heart rate sixteen", "heart rate sixty"),
        ("give fifteen five zero milligrams of ketamine", "give fifty milligrams of ketamine"),
        (
            "nurse give seventeen milligrams of ketamine",
            "nurse give seventy milligrams of ketamine",
        ),
    ],
)
def test_a_number_that_sounds_alike_is_the_first_guess(heard: str, meant: str) -> None:
    assert guesses(heard)[0] == meant


def test_what_the_second_listener_heard_comes_before_all_else() -> None:
    assert guesses("sats ninety", "sats ninety four")[0] == "sats ninety four"


def test_a_phrase_near_the_words_is_offered_with_the_value_that_was_heard() -> None:
    assert "end tidal at ninety four" in guesses("heart at ninety four")
    assert guesses("oxygen is on")[0] == "oxygen is off"
    assert "suction is on" in guesses("section is on")


def test_a_number_that_the_sheet_calls_impossible_is_no_guess() -> None:
    assert "sats nineteen" not in guesses("sats ninety")


def test_words_that_are_like_nothing_are_offered_nothing() -> None:
    assert guesses("what is for lunch") == []
    assert guesses("") == []


@given(st.sampled_from(SENTENCES), st.sampled_from(SENTENCES))
def test_every_guess_reads_without_doubt_and_means_something_else(text: str, other: str) -> None:
    meaning = UNDERSTANDING.read(text.split())
    found = GUESSES.of(text, meaning, other)
    assert len(found) <= 5
    for guess in found:
        read = UNDERSTANDING.read(guess.words.split())
        assert read == guess.meaning
        assert read.kind != "unrecognised"
        assert not read.doubts
        assert (read.kind, read.readings, read.item) != (
            meaning.kind,
            meaning.readings,
            meaning.item,
        ) or read.prowords != meaning.prowords


@pytest.mark.parametrize("word", ["er", "no", "correction", "[unk]"])
def test_a_number_that_its_speaker_corrected_is_offered_as_corrected_first(word: str) -> None:
    text = f"give fifty {word} fifteen milligrams of ketamine"
    meaning = Understanding(protocol()).read(text.split())
    first, second, *_ = Guesses(protocol()).of(text, meaning)
    assert [guess.meaning.readings[0].slots["amount"] for guess in (first, second)] == [15, 50]
