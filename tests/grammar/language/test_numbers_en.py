"""English numbers as teams say them."""

from __future__ import annotations

import random
from decimal import Decimal
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from num2words import num2words

from grammar.errors import UserError
from grammar.language.numbers import en, language
from grammar.language.numbers.spoken import SpokenNumber
from tests.support.number_sentences import Sentences

NUMBERS = Sentences(en.RULES, "number")


def read(text: str) -> SpokenNumber | None:
    return en.read(text.split())


def from_num2words(value: Decimal | int) -> str:
    """num2words (PyPI) is the outside authority; nobody speaks its hyphens and commas."""
    return str(num2words(value, lang="en")).replace("-", " ").replace(",", "")


def test_zero_to_999_are_read_as_num2words_writes_them() -> None:
    for value in range(1000):
        assert read(from_num2words(value)) == SpokenNumber(Decimal(value))


def test_zero_to_999_are_said_as_num2words_writes_them() -> None:
    for value in range(1000):
        assert en.say(Decimal(value)) == from_num2words(value)


@pytest.mark.parametrize("value", [*range(1000, 10000, 100)])
def test_whole_hundreds_above_999_agree_with_num2words(value: int) -> None:
    words = from_num2words(value)
    assert read(words) == SpokenNumber(Decimal(value))
    assert en.say(Decimal(value)) == words


def test_sampled_decimals_agree_with_num2words_both_ways() -> None:
    rng = random.Random(7)
    for _ in range(500):
        value = Decimal(rng.randrange(1_000_000)).scaleb(-rng.randrange(1, 4)).normalize()
        if value >= 1000 or value == value.to_integral_value():
            continue
        words = from_num2words(value)
        assert read(words) == SpokenNumber(value)
        assert en.say(value) == words


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("one thirty", 130),
        ("one fifteen", 115),
        ("one ten", 110),
        ("two twenty five", 225),
        ("five fifty", 550),
        ("a hundred", 100),
        ("a hundred and five", 105),
        ("one hundred five", 105),
        ("oh", 0),
        ("nought", 0),
        ("a thousand", 1000),
        ("one thousand five hundred", 1500),
        ("seven decimal five", "7.5"),
        ("one thirty point two five", "130.25"),
        ("point five", "0.5"),
        ("point oh five", "0.05"),
        ("nought point one", "0.1"),
        ("seven and a half", "7.5"),
        ("half", "0.5"),
        ("a half", "0.5"),
    ],
)
def test_short_forms_of_the_ward(words: str, value: int | str) -> None:
    assert read(words) == SpokenNumber(Decimal(value))


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("one five", 15),
        ("one five zero", 150),
        ("one oh five", 105),
        ("zero seven", 7),
        ("fife zero", 50),
        ("one one eight decimal one", "118.1"),
    ],
)
def test_digits_said_one_by_one_are_marked_as_such(words: str, value: int | str) -> None:
    assert read(words) == SpokenNumber(Decimal(value), by_digits=True)


# ICAO Annex 10 Volume II, 5.2.1.4.3: pronunciation of numerals.
@pytest.mark.parametrize(
    ("radio", "everyday"),
    [("tree", "three"), ("fower", "four"), ("fife", "five"), ("niner", "nine")],
)
def test_radio_numerals_mean_the_everyday_ones_wherever_these_stand(
    radio: str, everyday: str
) -> None:
    rng = random.Random(radio)
    seen = 0
    while seen < 300:
        words = NUMBERS.sample(rng)
        if everyday in words:
            seen += 1
            assert en.read([radio if word == everyday else word for word in words]) == en.read(
                words
            )


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("fifteen one five", 15),
        ("fifty five zero", 50),
        ("sixty six zero", 60),
        ("eighty eight zero", 80),
        ("fifty five five five", 55),
        ("one fifty one five zero", 150),
        ("one hundred and fifty one five zero", 150),
        ("one hundred one zero zero", 100),
        ("one oh five one oh five", 105),
        ("a hundred and niner one zero niner", 109),
    ],
)
def test_a_number_said_twice_in_agreement_is_one_number(words: str, value: int) -> None:
    assert read(words) == SpokenNumber(Decimal(value), by_digits=True)


@pytest.mark.parametrize(
    ("words", "value", "other"),
    [
        ("fifteen five zero", 15, 50),
        ("fifty one five", 50, 15),
        ("one thirty one one three", 130, 113),
        ("fifty five five zero", 55, 50),
    ],
)
def test_a_number_whose_digits_disagree_is_a_conflict(words: str, value: int, other: int) -> None:
    assert read(words) == SpokenNumber(Decimal(value), True, Decimal(other))


def test_every_number_from_10_to_999_may_be_confirmed_by_its_digits() -> None:
    for value in range(10, 1000):
        digits = " ".join(from_num2words(int(figure)) for figure in str(value))
        assert read(f"{from_num2words(value)} {digits}") == SpokenNumber(Decimal(value), True)


@pytest.mark.parametrize(
    "words",
    [
        "",
        "and",
        "one hundred and",
        "hundred",
        "ten five",
        "fifteen one",
        "twenty zero",
        "seven point",
        "seven point five five five five",
        "half point five",
        "one thousand and five",
        "give five",
        "five five five five",
    ],
)
def test_what_is_no_number_is_not_read_as_one(words: str) -> None:
    assert read(words) is None


def test_every_sentence_of_the_rules_is_read() -> None:
    rng = random.Random(1)
    for _ in range(5000):
        words = NUMBERS.sample(rng)
        assert en.read(words) is not None, words


def test_near_misses_are_read_exactly_when_the_rules_have_them() -> None:
    rng = random.Random(2)
    outcomes = set()
    for _ in range(5000):
        words = NUMBERS.near_miss(rng)
        expected = NUMBERS.accept(words)
        outcomes.add(expected)
        assert (en.read(words) is not None) == expected, words
    assert outcomes == {True, False}


def test_all_strings_of_up_to_two_words_are_read_exactly_when_the_rules_have_them() -> None:
    for length in (0, 1, 2):
        for words in product((*NUMBERS.vocabulary, "ketamine"), repeat=length):
            assert (en.read(words) is not None) == NUMBERS.accept(words), words


@given(st.lists(st.sampled_from([*NUMBERS.vocabulary, "ketamine"]), max_size=8))
def test_random_words_are_read_exactly_when_the_rules_have_them(words: list[str]) -> None:
    assert (en.read(words) is not None) == NUMBERS.accept(words)


@given(st.decimals(min_value=0, max_value=999, places=3))
def test_what_is_said_is_read_back(value: Decimal) -> None:
    said = read(en.say(value))
    assert said is not None
    assert said.value == value
    assert said.conflict is None


@pytest.mark.parametrize("value", ["-1", "1050", "10000", "0.1234", "1000.5", "NaN", "Infinity"])
def test_a_number_without_spoken_form_is_refused(value: str) -> None:
    with pytest.raises(ValueError, match="no spoken form"):
        en.say(Decimal(value))


# Pennsylvania Patient Safety Advisory, June 2006, "Improving the Safety of Telephone or Verbal
# Orders": the -teen and -ty numbers are mistaken for each other; 15 mg was given as 50 mg.
@pytest.mark.parametrize(
    ("teen", "ty"),
    [(13, 30), (14, 40), (15, 50), (16, 60), (17, 70), (18, 80), (19, 90), (113, 130), (215, 250)],
)
def test_teens_and_ties_sound_alike_both_ways(teen: int, ty: int) -> None:
    assert en.sounds_like(Decimal(teen)) == ty
    assert en.sounds_like(Decimal(ty)) == teen


def test_a_number_has_a_twin_when_only_teen_and_ty_differ_in_num2words() -> None:
    def stem(value: int) -> str:
        return from_num2words(value).replace("fif", "fiv").replace("thir", "three")

    for value in range(1000):
        words = stem(value)
        teens = words.endswith("teen")
        ties = words.endswith("ty") and not words.endswith("twenty")
        assert (en.sounds_like(Decimal(value)) is not None) == (teens or ties), value


@pytest.mark.parametrize("value", ["0", "10", "11", "12", "20", "21", "55", "100", "7.5", "-15"])
def test_other_numbers_have_no_twin(value: str) -> None:
    assert en.sounds_like(Decimal(value)) is None


def test_an_unknown_language_is_a_user_error() -> None:
    assert language("en").code == "en"
    with pytest.raises(UserError, match='"xx"'):
        language("xx")
