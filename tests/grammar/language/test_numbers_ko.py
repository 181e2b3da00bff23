"""Korean numbers as teams say them, one morpheme a word."""

from __future__ import annotations

import random
from decimal import Decimal
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from num2words import num2words

from grammar.language.numbers import ko, language
from grammar.language.numbers.spoken import SpokenNumber
from grammar.language.numbers.units import UNITS
from tests.support.number_sentences import Sentences

NUMBERS = Sentences(ko.RULES, "number")
DURATIONS = Sentences({**ko.RULES, **ko.DURATION_RULES}, "duration")


def read(text: str) -> SpokenNumber | None:
    return ko.read(text.split())


def from_num2words(value: Decimal | int) -> str:
    """num2words (PyPI) is the outside authority; it joins morphemes of one syllable each."""
    return " ".join("".join(str(num2words(value, lang="ko")).split()))


def test_zero_to_999_are_read_and_said_as_num2words_writes_them() -> None:
    for value in range(1000):
        words = from_num2words(value)
        assert read(words) == SpokenNumber(Decimal(value))
        assert ko.say(Decimal(value)) == words


@pytest.mark.parametrize("value", [*range(1000, 10000, 100)])
def test_whole_hundreds_above_999_agree_with_num2words(value: int) -> None:
    words = from_num2words(value)
    assert read(words) == SpokenNumber(Decimal(value))
    assert ko.say(Decimal(value)) == words


def test_sampled_decimals_agree_with_num2words_both_ways() -> None:
    rng = random.Random(7)
    for _ in range(500):
        value = Decimal(rng.randrange(1_000_000)).scaleb(-rng.randrange(1, 4)).normalize()
        if value >= 1000 or value == value.to_integral_value():
            continue
        words = from_num2words(value)
        assert read(words) == SpokenNumber(value)
        assert ko.say(value) == words


@pytest.mark.parametrize(
    ("words", "number"),
    [
        ("공", SpokenNumber(Decimal(0))),
        ("일 오", SpokenNumber(Decimal(15), True)),
        ("일 공 오", SpokenNumber(Decimal(105), True)),
        ("공 점 오", SpokenNumber(Decimal("0.5"))),
        ("십 오 일 오", SpokenNumber(Decimal(15), True)),
        ("십 오 오 공", SpokenNumber(Decimal(15), True, Decimal(50))),
        ("오 십 오 공", SpokenNumber(Decimal(50), True)),
        ("오 십 오 오 오", SpokenNumber(Decimal(55), True)),
        ("백 오 일 공 오", SpokenNumber(Decimal(105), True)),
        ("일 백", None),
        ("일 십", None),
        ("십 공", None),
        ("점 오", None),
        ("천 오", None),
        ("백오십", None),
        ("", None),
    ],
)
def test_digits_and_numbers_said_twice(words: str, number: SpokenNumber | None) -> None:
    assert read(words) == number


def test_every_number_from_10_to_999_may_be_confirmed_by_its_digits() -> None:
    for value in range(10, 1000):
        digits = " ".join(from_num2words(int(figure)) for figure in str(value))
        assert read(f"{from_num2words(value)} {digits}") == SpokenNumber(Decimal(value), True)


def test_sentences_and_near_misses_are_read_exactly_when_the_rules_have_them() -> None:
    rng = random.Random(2)
    outcomes = set()
    for _ in range(3000):
        words = NUMBERS.sample(rng)
        assert ko.read(words) is not None, words
        other = NUMBERS.near_miss(rng)
        outcomes.add(NUMBERS.accept(other))
        assert (ko.read(other) is not None) == NUMBERS.accept(other), other
    assert outcomes == {True, False}


def test_all_strings_of_up_to_three_words_are_read_exactly_when_the_rules_have_them() -> None:
    for length in (0, 1, 2, 3):
        for words in product(NUMBERS.vocabulary, repeat=length):
            assert (ko.read(words) is not None) == NUMBERS.accept(words), words


@given(st.lists(st.sampled_from(DURATIONS.vocabulary), max_size=8))
def test_random_words_are_a_duration_exactly_when_the_rules_have_them(words: list[str]) -> None:
    assert (ko.read_duration(words) is not None) == DURATIONS.accept(words)


def test_durations_are_read_exactly_when_the_rules_have_them() -> None:
    rng = random.Random(3)
    for _ in range(2000):
        words = DURATIONS.sample(rng)
        assert ko.read_duration(words) is not None, words
        other = DURATIONS.near_miss(rng)
        assert (ko.read_duration(other) is not None) == DURATIONS.accept(other), other


@pytest.mark.parametrize(
    ("words", "seconds"),
    [
        ("육 십", 60),
        ("육 십 초", 60),
        ("삼 분", 180),
        ("삼 분 반", 210),
        ("이 분 삼 십 초", 150),
        ("분", None),
        ("초", None),
        ("", None),
        ("이 분 삼 십", None),
        ("반 분", None),
    ],
)
def test_durations_as_they_are_said(words: str, seconds: int | None) -> None:
    found = ko.read_duration(words.split())
    assert (found.seconds if found else None) == seconds


@pytest.mark.parametrize("value", ["-1", "1050", "10000", "0.1234", "1000.5", "NaN"])
def test_a_number_without_spoken_form_is_refused(value: str) -> None:
    with pytest.raises(ValueError, match="no spoken form"):
        ko.say(Decimal(value))


def test_every_spoken_unit_is_a_canonical_one_and_every_canonical_one_can_be_said() -> None:
    assert set(language("ko").UNITS.values()) == set(UNITS)
