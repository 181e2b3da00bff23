"""Figures and signs that a person types stand for the words that a team speaks."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from num2words import num2words

from grammar.language.numbers import language
from grammar.language.typed_text import spoken

EN, KO = language("en"), language("ko")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("give 50 micrograms of fentanyl", "give fifty micrograms of fentanyl"),
        ("give 50mg of ketamine", "give fifty milligrams of ketamine"),
        ("Give 2.5 mL.", "give two point five millilitres"),
        ("2,5 mg", "two point five milligrams"),
        (".5 mg", "zero point five milligrams"),
        ("100 µg", "one hundred micrograms"),
        ("100 μg", "one hundred micrograms"),
        ("sats 94%", "sats ninety four percent"),
        ("pressure 130/80", "pressure one hundred and thirty over eighty"),
        ("shock at 200 J", "shock at two hundred joules"),
        ("timer 3 min 30 s", "timer three minutes thirty seconds"),
        ("give fifteen, one five milligrams", "give fifteen one five milligrams"),
        # A sign alone is a word or a letter, and no unit.
        ("mg s g", "mg s g"),
    ],
)
def test_figures_and_signs_are_read_as_they_are_spoken(typed: str, said: str) -> None:
    assert spoken(EN, typed) == said


@pytest.mark.parametrize("typed", ["1,000 mg", "1234 mg", "1.2345 mg", "1.2.3 mg"])
def test_a_number_that_has_no_plain_spoken_form_is_left_as_it_was_typed(typed: str) -> None:
    assert spoken(EN, typed) == typed


def test_korean_figures_are_read_morpheme_by_morpheme() -> None:
    assert spoken(KO, "케타민 70 mg") == "케타민 칠 십 밀리그램"
    assert spoken(KO, "94%") == "구 십 사 퍼센트"


@given(st.integers(0, 999))
def test_whole_numbers_are_spelled_as_num2words_spells_them(value: int) -> None:
    ours = spoken(EN, f"give {value}mg").split()[1:-1]
    assert ours == num2words(value).replace("-", " ").split()


@given(st.decimals(0, 999, places=2).map(lambda value: value.normalize()))
def test_a_typed_decimal_means_the_same_when_it_is_read_back(value: Decimal) -> None:
    read = EN.read(spoken(EN, f"{value:f}").split())
    assert read is not None
    assert read.value == value


@given(st.text(max_size=60))
@example("!0")
@example("a!0")
@example("5. 6")
@example("5!%")
def test_any_text_gives_words_that_stay_as_they_are(text: str) -> None:
    once = spoken(EN, text)
    assert spoken(EN, once) == once
