"""Reads a spoken number from tables, the same way in every language.

A language lists its whole numbers phrase by phrase. Two forms are too many to list and are taken
apart here: a decimal fraction, and a number said twice, the second time by its digits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from grammar.language.numbers.spoken import SpokenNumber

Phrase = tuple[str, ...]

MOST_DECIMALS = 3
"""Digits that may follow the point."""


@dataclass(frozen=True, slots=True)
class Tables:
    """One language's words. Phrases are in plain words: after `plain` has been applied."""

    plain: Mapping[str, str]
    """Word -> the plain word of the same meaning ("niner" -> "nine")."""
    digits: Mapping[str, int]
    """Plain word -> digit."""
    point: str
    """The plain word before a decimal fraction."""
    wholes: Mapping[Phrase, SpokenNumber]
    """Whole numbers that a decimal fraction may follow."""
    others: Mapping[Phrase, SpokenNumber]
    """Numbers that nothing may follow."""
    heads: Mapping[Phrase, int]
    """Numbers from 10 to 999 that their digits may follow."""
    bare_fraction: bool
    """Whether a decimal fraction may stand alone ("point five")."""

    def read(self, words: Sequence[str]) -> SpokenNumber | None:
        """Return the number that exactly these words say, or None."""
        plain = self.plain
        phrase = tuple([plain.get(word, word) for word in words])
        found = self.wholes.get(phrase) or self.others.get(phrase)
        if found is not None:
            return found
        return self._decimal(phrase) if self.point in phrase else self._said_twice(phrase)

    def _decimal(self, phrase: Phrase) -> SpokenNumber | None:
        at = phrase.index(self.point)
        fraction = self._digits(phrase[at + 1 :])
        if fraction is None or len(fraction) > MOST_DECIMALS:
            return None
        if at == 0:
            return SpokenNumber(Decimal(f"0.{fraction}")) if self.bare_fraction else None
        whole = self.wholes.get(phrase[:at])
        if whole is None:
            return None
        return SpokenNumber(Decimal(f"{whole.value}.{fraction}"), whole.by_digits)

    def _said_twice(self, phrase: Phrase) -> SpokenNumber | None:
        # A two-digit number takes two digits and a three-digit number three. This is what makes
        # "fifty five zero" fifty said twice, and never fifty-five with a stray zero.
        for count in (2, 3):
            value = self.heads.get(phrase[:-count])
            if value is None or len(str(value)) != count:
                continue
            digits = self._digits(phrase[-count:])
            if digits is None:
                continue
            again = int(digits)
            return SpokenNumber(
                Decimal(value), by_digits=True, conflict=None if again == value else Decimal(again)
            )
        return None

    def _digits(self, phrase: Phrase) -> str | None:
        """Return the digits in figures, or None where there are none or another word is among them."""
        found = [self.digits.get(word) for word in phrase]
        return "".join(map(str, found)) if found and None not in found else None


def digit_runs(digits: Mapping[str, int]) -> dict[Phrase, SpokenNumber]:
    """Return every run of two or three digits, said one by one. A leading zero counts for nothing."""
    pairs: dict[Phrase, int] = {
        (a, b): 10 * x + y for a, x in digits.items() for b, y in digits.items()
    }
    runs = pairs | {(a, *pair): 100 * x + y for a, x in digits.items() for pair, y in pairs.items()}
    return {p: SpokenNumber(Decimal(value), by_digits=True) for p, value in runs.items()}
