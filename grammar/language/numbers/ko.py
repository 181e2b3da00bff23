"""Korean spoken numbers (Sino-Korean), dose units and durations.

One word is one morpheme: "백 오 십", not "백오십". Every number is put together from the same
fifteen, so a recogniser's phrase list stays short and every number can be said; published models
know each morpheme as a word, but not every joined number.

The -teen/-ty trap of English does not exist: 십 오 (15) and 오 십 (50) differ in order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import MappingProxyType

from grammar.language.numbers.spoken import SECONDS_A_MINUTE, SpokenDuration, SpokenNumber
from grammar.language.numbers.tables import MOST_DECIMALS, Phrase, Tables, digit_runs

code = "ko"

_UNITS = ("일", "이", "삼", "사", "오", "육", "칠", "팔", "구")
_FROM_TWO = _UNITS[1:]
_PLAIN = MappingProxyType({"공": "영"})
_DIGITS = MappingProxyType({word: digit for digit, word in enumerate(("영", *_UNITS))})

RULES: Mapping[str, str] = MappingProxyType(
    {
        "number-zero": "(영|공)",
        "number-unit": f"({'|'.join(_UNITS)})",
        # Before ten, hundred and thousand nobody says "one".
        "number-from-two": f"({'|'.join(_FROM_TWO)})",
        "number-digit": "(<number-zero>|<number-unit>)",
        # 10 to 99
        "number-tens": "[<number-from-two>] 십 [<number-unit>]",
        # 100 to 999
        "number-hundreds": "[<number-from-two>] 백 [(<number-unit>|<number-tens>)]",
        "number-digits": "<number-digit> <number-digit> [<number-digit>]",
        "number-whole": "(<number-digit>|<number-tens>|<number-hundreds>|<number-digits>)",
        "number-thousands": "[<number-from-two>] 천 [[<number-from-two>] 백]",
        "number-fraction": "점 <number-digit> [<number-digit> [<number-digit>]]",
        # Number and digits may disagree: a slip has to be heard before it can be shown.
        "number-twice": (
            "(<number-tens> <number-digit> <number-digit>"
            "|<number-hundreds> <number-digit> <number-digit> <number-digit>)"
        ),
        "number": "(<number-whole> [<number-fraction>]|<number-thousands>|<number-twice>)",
    }
)
"""Zero to 999, thousands with whole hundreds, decimals, digits one by one, numbers said twice."""


def _times(name: str, value: int) -> dict[Phrase, int]:
    """Return the phrases for one to nine times 10, 100 or 1000."""
    return {(name,): value} | {(word, name): _DIGITS[word] * value for word in _FROM_TWO}


def _with_rest(whole: Mapping[Phrase, int], rest: Mapping[Phrase, int]) -> dict[Phrase, int]:
    """Return the phrases for each number alone and followed by each smaller one."""
    return {
        (*phrase, *more): value + smaller
        for phrase, value in whole.items()
        for more, smaller in ({(): 0} | dict(rest)).items()
    }


def _tables() -> Tables:
    units: dict[Phrase, int] = {(word,): _DIGITS[word] for word in _UNITS}
    tens = _with_rest(_times("십", 10), units)
    hundreds = _with_rest(_times("백", 100), units | tens)
    thousands = _with_rest(_times("천", 1000), _times("백", 100))
    wholes: dict[Phrase, int] = {("영",): 0, **units, **tens, **hundreds}
    return Tables(
        plain=_PLAIN,
        digits=_DIGITS,
        point="점",
        wholes={p: SpokenNumber(Decimal(value)) for p, value in wholes.items()}
        | digit_runs(_DIGITS),
        others={p: SpokenNumber(Decimal(value)) for p, value in thousands.items()},
        heads={**tens, **hundreds},
        bare_fraction=False,
    )


_TABLES = _tables()


def read(words: Sequence[str]) -> SpokenNumber | None:
    """Return the number that exactly these words say, or None. Accepts exactly RULES' `number`."""
    return _TABLES.read(words)


def say(value: Decimal) -> str:
    """Return the plainest spoken form, one morpheme a word: "백 오", "칠 점 오".

    Raises ValueError for a number that has none in RULES: negative, above 9900, above 999 and not
    in whole hundreds, or with more than three decimals.
    """
    whole, _, fraction = f"{value:f}".partition(".")
    fraction = fraction.rstrip("0")
    number = int(whole) if whole.isdigit() else -1
    too_fine = number % 100 > 0 or fraction
    if not 0 <= number <= 9900 or (number > 999 and too_fine) or len(fraction) > MOST_DECIMALS:
        raise ValueError(f"no spoken form for the number {value}")
    words = list(_say_whole(number)) or ["영"]
    if fraction:
        words += ["점", *(("영", *_UNITS)[int(figure)] for figure in fraction)]
    return " ".join(words)


def _say_whole(value: int) -> Phrase:
    """Return the plainest words for 1 to 9999; no words for zero."""
    words: list[str] = []
    for name, size in (("천", 1000), ("백", 100), ("십", 10), ("", 1)):
        times, value = divmod(value, size)
        if times > 1 or (times and not name):
            words.append(_UNITS[times - 1])
        if times and name:
            words.append(name)
    return tuple(words)


def sounds_like(value: Decimal) -> Decimal | None:  # noqa: ARG001 - every language is asked alike
    """Return None: no source is known for Korean numbers that are mistaken for each other."""
    return None


UNITS: Mapping[str, str] = MappingProxyType(
    {
        "밀리그램": "mg",
        "마이크로그램": "microgram",
        "그램": "g",
        "밀리리터": "mL",
        "시시": "mL",
        "단위": "unit",
        "유닛": "unit",
        "줄": "J",
    }
)
"""Spoken unit -> canonical unit of `grammar.language.numbers.units`.

밀리 alone is left out: it is said for milligrams and for millilitres (common practice, no source).
"""

SIGNS: Mapping[str, str] = MappingProxyType(
    {
        "mg": "밀리그램",
        "mcg": "마이크로그램",
        "\N{MICRO SIGN}g": "마이크로그램",
        "\N{GREEK SMALL LETTER MU}g": "마이크로그램",
        "g": "그램",
        "ml": "밀리리터",
        "j": "줄",
        "%": "퍼센트",
        "cm": "센티미터",
        "min": "분",
        "s": "초",
    }
)
"""Sign typed after a number -> the word spoken for it."""

DURATION_RULES: Mapping[str, str] = MappingProxyType(
    {
        "duration-seconds": "<number> 초",
        "duration": "(<number>|<duration-seconds>|<number> 분 [(반|<duration-seconds>)])",
    }
)
"""The entry rule is `duration`; needs RULES beside it. A bare number means seconds."""


def read_duration(words: Sequence[str]) -> SpokenDuration | None:
    """Return the duration that exactly these words say, or None. Accepts exactly `duration`."""
    phrase = tuple(words)
    if "분" not in phrase:
        number = read(phrase[:-1] if phrase[-1:] == ("초",) else phrase)
        return None if number is None else SpokenDuration.of(seconds=number)
    at = phrase.index("분")
    minutes, rest = read(phrase[:at]), phrase[at + 1 :]
    if minutes is None:
        return None
    if not rest:
        return SpokenDuration.of(minutes=minutes)
    if rest == ("반",):
        return SpokenDuration.of(minutes=minutes, more=SECONDS_A_MINUTE / 2)
    seconds = read(rest[:-1]) if rest[-1] == "초" else None
    return None if seconds is None else SpokenDuration.of(minutes=minutes, seconds=seconds)
