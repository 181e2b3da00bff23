"""Numbers and durations as they were said, and the interface of a language's numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

SECONDS_A_MINUTE = Decimal(60)


@dataclass(frozen=True, slots=True)
class SpokenNumber:
    """A number as it was said.

    `by_digits` says that its digits were spoken, alone or as well ("fifteen, one five").
    `conflict` holds the other value where number and digits disagree ("fifteen, five zero").
    """

    value: Decimal
    by_digits: bool = False
    conflict: Decimal | None = None


@dataclass(frozen=True, slots=True)
class SpokenDuration:
    """A duration as it was said."""

    seconds: Decimal
    numbers: tuple[SpokenNumber, ...]
    """The numbers said: one, or minutes and then seconds."""
    conflict: Decimal | None = None
    """The other duration in seconds where a number and its digits disagree."""

    @property
    def number(self) -> SpokenNumber:
        """The number said; of two, the one in conflict with its digits, else the minutes."""
        return next((n for n in self.numbers if n.conflict is not None), self.numbers[0])

    @classmethod
    def of(
        cls,
        minutes: SpokenNumber | None = None,
        seconds: SpokenNumber | None = None,
        more: Decimal = Decimal(0),
    ) -> SpokenDuration:
        """Return the duration of the numbers said, at least one, and `more` seconds said without a
        number."""
        parts = [
            (number, scale)
            for number, scale in ((minutes, SECONDS_A_MINUTE), (seconds, Decimal(1)))
            if number is not None
        ]
        total = sum((n.value * scale for n, scale in parts), more)
        other = sum(((n.value if n.conflict is None else n.conflict) * s for n, s in parts), more)
        return cls(
            seconds=total,
            numbers=tuple(n for n, _ in parts),
            conflict=None if other == total else other,
        )


class NumberLanguage(Protocol):
    """The interface of a module of numbers, one a language."""

    code: str
    RULES: Mapping[str, str]
    """Rule name -> expansion. The entry rule is `number`; a rule is used as <name>."""
    UNITS: Mapping[str, str]
    """Spoken unit, one word -> canonical unit of `grammar.language.numbers.units`."""
    SIGNS: Mapping[str, str]
    """Sign typed after a number, in lower case -> the word that is spoken for it."""
    DURATION_RULES: Mapping[str, str]
    """Likewise for durations. The entry rule is `duration`; needs RULES beside it."""

    def read(self, words: Sequence[str]) -> SpokenNumber | None:
        """Return the number that exactly these words say, or None. Accepts exactly RULES' `number`."""
        ...

    def say(self, value: Decimal) -> str:
        """Return the plainest spoken form of a number that `read` takes back."""
        ...

    def sounds_like(self, value: Decimal) -> Decimal | None:
        """Return the number that is easily heard instead, or None where the language has none."""
        ...

    def read_duration(self, words: Sequence[str]) -> SpokenDuration | None:
        """Return the duration that exactly these words say, or None. Accepts exactly `duration`."""
        ...
