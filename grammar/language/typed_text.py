"""Turns the typed text of an utterance into spoken words: figures and signs in words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal

from grammar.language.numbers.spoken import NumberLanguage

_PARTS = re.compile(r"[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+|(?:(?![.,]?[0-9]).)+")
_NUMBER = re.compile(r"[0-9]*(?:\.[0-9]+|,[0-9]{1,2}|,[0-9]{4,})?")
"""Three figures after a comma may be thousands or thousandths: which, only a person knows."""

_STOPS = ".,;:!?"
"""Stops that are dropped at the end of a word, and before figures."""


def spoken(language: NumberLanguage, text: str) -> str:
    """Return the spoken words: "give 2.5 mg" gives "give two point five milligrams".

    Signs count after a number alone. Text without a spoken form is left as it was typed.
    """
    return " ".join(_words(language, text.lower()))


def _words(language: NumberLanguage, text: str) -> Iterator[str]:
    after_number = False
    for token in text.split():
        for found in _PARTS.findall(token):
            part = found.rstrip(_STOPS)
            if not part:
                continue
            number = _said(language, part)
            sign = language.SIGNS.get(part) if after_number else None
            yield number or sign or part
            after_number = number is not None


def _said(language: NumberLanguage, part: str) -> str | None:
    if not _NUMBER.fullmatch(part):
        return None
    try:
        return language.say(Decimal(part.replace(",", ".")))
    except ValueError:
        return None
