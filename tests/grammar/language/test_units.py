"""Doses and durations compared by meaning."""

from __future__ import annotations

import json
import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar.language.numbers import en
from grammar.language.numbers.spoken import SpokenDuration, SpokenNumber
from grammar.language.numbers.units import UNITS, normal, plain, same_amount, volume_ml
from tests.support.number_sentences import Sentences

DURATIONS = Sentences({**en.RULES, **en.DURATION_RULES}, "duration")
AMOUNTS = st.decimals(min_value=0, max_value=9999, places=3)


def duration(text: str) -> SpokenDuration | None:
    return en.read_duration(text.split())


# SI prefixes, BIPM SI Brochure, 9th edition, table 7: milli 10^-3, micro 10^-6.
@pytest.mark.parametrize(
    ("a", "unit_a", "b", "unit_b"),
    [
        ("0.1", "mg", "100", "microgram"),
        ("1", "g", "1000", "mg"),
        ("0.000001", "g", "1", "microgram"),
        ("70.0", "mg", "70", "mg"),
    ],
)
def test_amounts_of_the_same_mass_agree(a: str, unit_a: str, b: str, unit_b: str) -> None:
    assert same_amount(Decimal(a), unit_a, Decimal(b), unit_b)
    assert same_amount(Decimal(b), unit_b, Decimal(a), unit_a)


@pytest.mark.parametrize(
    ("a", "unit_a", "b", "unit_b"),
    [
        ("5", "mg", "5", "mL"),
        ("0", "mg", "0", "mL"),
        ("5", "unit", "5", "mg"),
        ("70", "mg", "17", "mg"),
        ("1", "mg", "1", "microgram"),
    ],
)
def test_amounts_of_another_kind_or_size_never_agree(
    a: str, unit_a: str, b: str, unit_b: str
) -> None:
    assert not same_amount(Decimal(a), unit_a, Decimal(b), unit_b)


@given(AMOUNTS)
def test_a_mass_is_the_same_in_every_unit_exactly(grams: Decimal) -> None:
    assert normal(grams, "g")[0] == grams * 1000
    assert same_amount(grams, "g", grams * 1_000_000, "microgram")


@given(AMOUNTS, AMOUNTS)
def test_different_amounts_of_one_unit_differ(a: Decimal, b: Decimal) -> None:
    assert same_amount(a, "microgram", b, "microgram") == (a == b)


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown unit 'mcg'"):
        normal(Decimal(1), "mcg")


# Arithmetic: volume = amount / concentration.
@pytest.mark.parametrize(
    ("amount", "unit", "per_ml", "per_ml_unit", "volume"),
    [
        ("90", "mg", "50", "mg", "1.8"),
        ("100", "microgram", "0.1", "mg", "1"),
        ("1", "g", "10", "mg", "100"),
        ("5000", "unit", "1000", "unit", "5"),
        ("7", "mL", "10", "mg", "7"),
    ],
)
def test_a_volume_follows_from_the_concentration(
    amount: str, unit: str, per_ml: str, per_ml_unit: str, volume: str
) -> None:
    assert volume_ml(Decimal(amount), unit, Decimal(per_ml), per_ml_unit) == Decimal(volume)


@given(AMOUNTS, st.sampled_from([Decimal(n) for n in ("0.1", "1", "2", "5", "10", "50")]))
def test_a_volume_times_its_concentration_is_the_amount(amount: Decimal, per_ml: Decimal) -> None:
    assert volume_ml(amount, "mg", per_ml, "mg") * per_ml == amount


@pytest.mark.parametrize(
    ("unit", "per_ml", "per_ml_unit"),
    [("mg", "0", "mg"), ("mg", "-1", "mg"), ("mg", "10", "mL"), ("mg", "10", "unit")],
)
def test_no_volume_without_a_concentration_that_fits(
    unit: str, per_ml: str, per_ml_unit: str
) -> None:
    with pytest.raises(ValueError, match="concentration"):
        volume_ml(Decimal(1), unit, Decimal(per_ml), per_ml_unit)


def test_every_spoken_unit_is_a_canonical_one_and_every_canonical_one_can_be_said() -> None:
    assert set(en.UNITS.values()) == set(UNITS)


def test_whole_numbers_go_to_json_without_a_point() -> None:
    assert json.dumps([plain(Decimal(n)) for n in ("90", "90.0", "1E+2", "7.5")]) == (
        "[90, 90, 100, 7.5]"
    )


@pytest.mark.parametrize(
    ("words", "seconds"),
    [
        ("sixty", 60),
        ("sixty seconds", 60),
        ("one second", 1),
        ("a minute", 60),
        ("one minute", 60),
        ("half a minute", 30),
        ("half a second", None),
        ("a minute and a half", 90),
        ("one and a half minutes", 90),
        ("two minutes and a half", 150),
        ("two minutes thirty seconds", 150),
        ("two minutes and thirty seconds", 150),
        ("a minute and ten seconds", 70),
        ("one hundred and eighty seconds", 180),
        ("three minutes", 180),
        ("one point five minutes", 90),
        ("minute", None),
        ("seconds", None),
        ("", None),
        ("three minutes thirty", None),
        ("thirty seconds two minutes", None),
        ("a minute and", None),
        ("two minutes and seconds", None),
    ],
)
def test_durations_as_they_are_said(words: str, seconds: int | None) -> None:
    found = duration(words)
    assert (found.seconds if found else None) == seconds


def test_three_minutes_and_a_hundred_and_eighty_seconds_are_one_duration() -> None:
    minutes, seconds = duration("three minutes"), duration("one hundred and eighty seconds")
    assert minutes is not None
    assert seconds is not None
    assert minutes.seconds == seconds.seconds


def test_a_duration_keeps_the_number_as_it_was_said() -> None:
    said = duration("fifteen one five minutes")
    assert said is not None
    assert said.number == SpokenNumber(Decimal(15), by_digits=True)
    assert said.conflict is None


def test_a_conflict_in_either_number_of_a_duration_shows() -> None:
    said = duration("two minutes and fifteen five zero seconds")
    assert said is not None
    assert said.seconds == 135
    assert said.conflict == 170
    assert said.number == SpokenNumber(Decimal(15), True, Decimal(50))


def test_durations_are_read_exactly_when_the_rules_have_them() -> None:
    rng = random.Random(3)
    for _ in range(3000):
        words = DURATIONS.sample(rng)
        assert en.read_duration(words) is not None, words
        other = DURATIONS.near_miss(rng)
        assert (en.read_duration(other) is not None) == DURATIONS.accept(other), other


@given(st.lists(st.sampled_from(DURATIONS.vocabulary), max_size=7))
def test_random_words_are_a_duration_exactly_when_the_rules_have_them(words: list[str]) -> None:
    assert (en.read_duration(words) is not None) == DURATIONS.accept(words)
