"""Spoken numbers, one module a language.

A language gives two things that must agree: `RULES`, the forms that may be spoken, as expansions
in the phrase notation of `templates.py` (the network is built from them), and `read`, what the
words mean. Its words for units and durations stand beside its numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Protocol

from grammar.errors import UserError

if TYPE_CHECKING:
    from grammar.units import SpokenDuration


@dataclass(frozen=True, slots=True)
class SpokenNumber:
    """A number as it was said.

    `by_digits` says that its digits were spoken, alone or as well ("fifteen, one five").
    `conflict` holds the other value where number and digits disagree ("fifteen, five zero").
    """

    value: Decimal
    by_digits: bool = False
    conflict: Decimal | None = None


class NumberLanguage(Protocol):
    """What a language module offers."""

    code: str
    RULES: Mapping[str, str]
    """Rule name -> expansion. The entry rule is `number`; a rule is used as <name>."""
    UNITS: Mapping[str, str]
    """Spoken unit, one word -> canonical unit of `grammar.units`."""
    SIGNS: Mapping[str, str]
    """What is typed after a number, in lower case -> the word that is spoken for it."""
    DURATION_RULES: Mapping[str, str]
    """Likewise for durations. The entry rule is `duration`; needs RULES beside it."""

    def read(self, words: Sequence[str]) -> SpokenNumber | None:
        """The number that exactly these words say, or None. Accepts exactly RULES' `number`."""
        ...

    def say(self, value: Decimal) -> str:
        """The plainest spoken form of a number that `read` takes back."""
        ...

    def sounds_like(self, value: Decimal) -> Decimal | None:
        """The number that is easily heard instead, or None where the language has none."""
        ...

    def read_duration(self, words: Sequence[str]) -> SpokenDuration | None:
        """The duration that exactly these words say, or None. Accepts exactly `duration`."""
        ...


def language(code: str) -> NumberLanguage:
    """The numbers of a language by its ISO 639-1 code. Raises UserError for an unknown one."""
    # Imported here because the language modules need the types above.
    match code:
        case "en":
            from grammar.numbers import en  # noqa: PLC0415

            return en
        case "ko":
            from grammar.numbers import ko  # noqa: PLC0415

            return ko
        case _:
            raise UserError(
                f'There are no spoken numbers for the language "{code}", only for "en" and "ko".'
            )
