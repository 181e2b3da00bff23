"""English spoken numbers, dose units and durations.

Words are lower case, one word each, no hyphens. Besides everyday English: the short hundreds of a
ward ("one thirty over eighty"), digits one by one, and the numerals of the radiotelephone (ICAO
Annex 10 Volume II, 5.2.1.4.3), of which four differ from the everyday word: tree, fower, fife and
niner.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import MappingProxyType

from grammar.language.numbers.spoken import SECONDS_A_MINUTE, SpokenDuration, SpokenNumber
from grammar.language.numbers.tables import MOST_DECIMALS, Phrase, Tables, digit_runs

code = "en"

_UNITS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = (
    *("ten", "eleven", "twelve", "thirteen", "fourteen"),
    *("fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TIES = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_PLAIN = MappingProxyType(
    {
        "oh": "zero",
        "nought": "zero",
        "tree": "three",
        "fower": "four",
        "fife": "five",
        "niner": "nine",
        "decimal": "point",
    }
)
_DIGITS = MappingProxyType({word: digit for digit, word in enumerate(("zero", *_UNITS))})


def _either(plain: Sequence[str]) -> str:
    """Return the words and those of the same meaning, as alternatives."""
    others = [word for word, same in _PLAIN.items() if same in plain]
    return f"({'|'.join((*plain, *others))})"


RULES: Mapping[str, str] = MappingProxyType(
    {
        "number-zero": _either(["zero"]),
        "number-unit": _either(_UNITS),
        "number-digit": "(<number-zero>|<number-unit>)",
        # 10 to 99
        "number-tens": f"({'|'.join(_TEENS)}|({'|'.join(_TIES)}) [<number-unit>])",
        # 100 to 999
        "number-hundreds": "(a|<number-unit>) hundred [[and] (<number-unit>|<number-tens>)]",
        # "one thirty", "two twenty five", "one oh five"
        "number-short": "<number-unit> (<number-tens>|<number-zero> <number-unit>)",
        "number-digits": "<number-digit> <number-digit> [<number-digit>]",
        "number-whole": (
            "(<number-digit>|<number-tens>|<number-hundreds>|<number-short>|<number-digits>)"
        ),
        "number-thousands": "(a|<number-unit>) thousand [<number-unit> hundred]",
        "number-fraction": f"{_either(['point'])} <number-digit> [<number-digit> [<number-digit>]]",
        "number-half": "(<number-unit>|<number-tens>) and a half",
        # Number and digits may disagree: a slip has to be heard before it can be shown.
        "number-twice": (
            "(<number-tens> <number-digit> <number-digit>"
            "|(<number-hundreds>|<number-short>) <number-digit> <number-digit> <number-digit>)"
        ),
        "number": (
            "(<number-whole> [<number-fraction>]|<number-fraction>|<number-thousands>"
            "|<number-half>|[a] half|<number-twice>)"
        ),
    }
)
"""Zero to 999, thousands with whole hundreds, decimals, halves, digits, numbers said twice."""


def _tens() -> dict[Phrase, int]:
    """Return the phrases for 10 to 99."""
    teens: dict[Phrase, int] = {(word,): 10 + at for at, word in enumerate(_TEENS)}
    ties: dict[Phrase, int] = {(word,): 20 + 10 * at for at, word in enumerate(_TIES)}
    both = {(*ty, unit): ties[ty] + _DIGITS[unit] for ty in ties for unit in _UNITS}
    return {**teens, **ties, **both}


def _thousands() -> dict[Phrase, int]:
    found: dict[Phrase, int] = {}
    for word in ("a", *_UNITS):
        value = 1000 * _DIGITS.get(word, 1)
        found[word, "thousand"] = value
        for unit in _UNITS:
            found[word, "thousand", unit, "hundred"] = value + 100 * _DIGITS[unit]
    return found


def _hundreds(below: Mapping[Phrase, int]) -> dict[Phrase, int]:
    """Return the phrases for 100 to 999; `below` are those for 1 to 99."""
    found: dict[Phrase, int] = {}
    for word in ("a", *_UNITS):
        value = 100 * _DIGITS.get(word, 1)
        found[word, "hundred"] = value
        for phrase, rest in below.items():
            found[word, "hundred", *phrase] = value + rest
            found[word, "hundred", "and", *phrase] = value + rest
    return found


def _tables() -> Tables:
    units: dict[Phrase, int] = {(word,): _DIGITS[word] for word in _UNITS}
    tens = _tens()
    below = {**units, **tens}
    hundreds = _hundreds(below)
    ending = {**tens, **{("zero", *unit): value for unit, value in units.items()}}
    short = {
        (word, *phrase): 100 * _DIGITS[word] + rest
        for word in _UNITS
        for phrase, rest in ending.items()
    }
    wholes = {("zero",): 0, **below, **hundreds, **short}
    half = Decimal("0.5")
    others = {phrase: SpokenNumber(Decimal(value)) for phrase, value in _thousands().items()}
    others |= {(*p, "and", "a", "half"): SpokenNumber(value + half) for p, value in below.items()}
    others |= {("half",): SpokenNumber(half), ("a", "half"): SpokenNumber(half)}
    return Tables(
        plain=_PLAIN,
        digits=_DIGITS,
        point="point",
        # "one oh five" is a short hundred and a run of digits; that its digits were said counts.
        wholes={p: SpokenNumber(Decimal(value)) for p, value in wholes.items()}
        | digit_runs(_DIGITS),
        others=others,
        heads={**tens, **hundreds, **short},
        bare_fraction=True,
    )


_TABLES = _tables()


def read(words: Sequence[str]) -> SpokenNumber | None:
    """Return the number that exactly these words say, or None. Accepts exactly RULES' `number`."""
    return _TABLES.read(words)


def say(value: Decimal) -> str:
    """Return the plainest spoken form: "one hundred and five", "seven point five".

    Raises ValueError for a number that has none in RULES: negative, above 9900, above 999 and not
    in whole hundreds, or with more than three decimals.
    """
    whole, _, fraction = f"{value:f}".partition(".")
    fraction = fraction.rstrip("0")
    words = _say_whole(int(whole)) if whole.isdigit() else None
    if words is None or len(fraction) > MOST_DECIMALS or (fraction and int(whole) > 999):
        raise ValueError(f"no spoken form for the number {value}")
    if fraction:
        words += ["point", *(_digit_word(figure) for figure in fraction)]
    return " ".join(words)


def _digit_word(figure: str) -> str:
    return ("zero", *_UNITS)[int(figure)]


def _say_whole(value: int) -> list[str] | None:
    if value >= 1000:
        thousands, rest = divmod(value, 1000)
        if thousands > 9 or rest % 100:
            return None
        return [_UNITS[thousands - 1], "thousand", *(_say_whole(rest) or () if rest else ())]
    if value >= 100:
        hundreds, rest = divmod(value, 100)
        return [_UNITS[hundreds - 1], "hundred", *(("and", *_say_below(rest)) if rest else ())]
    return list(_say_below(value))


def _say_below(value: int) -> Phrase:
    """Return the plainest words for zero to 99."""
    if value < 10:
        return (("zero", *_UNITS)[value],)
    if value < 20:
        return (_TEENS[value - 10],)
    tens, unit = divmod(value, 10)
    return (_TIES[tens - 2], *((_UNITS[unit - 1],) if unit else ()))


def sounds_like(value: Decimal) -> Decimal | None:
    """Return the number easily heard instead: 13 for 30 up to 19 for 90, and the other way about.

    The same within the hundreds (113 and 130). None for a number without such a twin and for any
    with a decimal fraction. Source: Pennsylvania Patient Safety Advisory, June 2006, "Improving the
    Safety of Telephone or Verbal Orders".
    """
    if value < 0 or value != int(value):
        return None
    hundreds, rest = divmod(int(value), 100)
    if 13 <= rest <= 19:
        twin = 10 * (rest - 10)
    elif rest >= 30 and rest % 10 == 0:
        twin = 10 + rest // 10
    else:
        return None
    return Decimal(100 * hundreds + twin)


UNITS: Mapping[str, str] = MappingProxyType(
    {
        "milligram": "mg",
        "milligrams": "mg",
        "microgram": "microgram",
        "micrograms": "microgram",
        "mic": "microgram",
        "mics": "microgram",
        "gram": "g",
        "grams": "g",
        "mil": "mL",
        "mils": "mL",
        "millilitre": "mL",
        "millilitres": "mL",
        "milliliter": "mL",
        "milliliters": "mL",
        "unit": "unit",
        "units": "unit",
        "joule": "J",
        "joules": "J",
    }
)
"""Spoken unit -> canonical unit of `grammar.language.numbers.units`."""

SIGNS: Mapping[str, str] = MappingProxyType(
    {
        "mg": "milligrams",
        "mcg": "micrograms",
        "ug": "micrograms",
        "\N{MICRO SIGN}g": "micrograms",
        "\N{GREEK SMALL LETTER MU}g": "micrograms",
        "g": "grams",
        "ml": "millilitres",
        "j": "joules",
        "%": "percent",
        "/": "over",
        "cm": "centimetres",
        "m": "minutes",
        "min": "minutes",
        "s": "seconds",
        "sec": "seconds",
    }
)
"""Sign typed after a number -> the word spoken for it. Nobody calls a metre here."""

DURATION_RULES: Mapping[str, str] = MappingProxyType(
    {
        "duration-seconds": "<number> (second|seconds)",
        "duration-minutes": "(a minute|<number> (minute|minutes))",
        "duration": (
            "(<number>|<duration-seconds>|half a minute"
            "|<duration-minutes> [([and] <duration-seconds>|and a half)])"
        ),
    }
)
"""The entry rule is `duration`; needs RULES beside it. A bare number means seconds."""

_SECOND_WORDS = ("second", "seconds")
_MINUTE_WORDS = ("minute", "minutes")


def read_duration(words: Sequence[str]) -> SpokenDuration | None:
    """Return the duration that exactly these words say, or None. Accepts exactly `duration`."""
    phrase = tuple(words)
    if phrase == ("half", "a", "minute"):
        return SpokenDuration.of(minutes=SpokenNumber(Decimal("0.5")))
    at = next((i for i, word in enumerate(phrase) if word in _MINUTE_WORDS), None)
    if at is None:
        bare = phrase[:-1] if phrase and phrase[-1] in _SECOND_WORDS else phrase
        number = read(bare)
        return None if number is None else SpokenDuration.of(seconds=number)
    minutes = SpokenNumber(Decimal(1)) if phrase[: at + 1] == ("a", "minute") else read(phrase[:at])
    if minutes is None:
        return None
    return _with_rest(minutes, phrase[at + 1 :])


def _with_rest(minutes: SpokenNumber, rest: Phrase) -> SpokenDuration | None:
    """Return a duration from its minutes and the words after "minutes"; None where they are no
    duration."""
    if not rest:
        return SpokenDuration.of(minutes=minutes)
    if rest == ("and", "a", "half"):
        return SpokenDuration.of(minutes=minutes, more=SECONDS_A_MINUTE / 2)
    if rest[-1] not in _SECOND_WORDS:
        return None
    seconds = read(rest[1:-1] if rest[0] == "and" else rest[:-1])
    return None if seconds is None else SpokenDuration.of(minutes=minutes, seconds=seconds)
