"""Spoken numbers, one module a language.

A language gives two things that must agree: `RULES`, the forms that may be spoken, as expansions in
the phrase notation of `templates.py` (the network is built from them), and `read`, what the words mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol


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

    def read(self, words: Sequence[str]) -> SpokenNumber | None:
        """The number that exactly these words say, or None. Accepts exactly the sentences of RULES."""
        ...

    def say(self, value: Decimal) -> str:
        """The plainest spoken form of a number that `read` takes back."""
        ...
