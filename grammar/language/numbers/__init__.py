"""Spoken numbers, one module a language.

`sounds_like` of a language gives the number that is easily heard instead, its twin (fifteen, fifty);
`language/parse.py` carries it, and `case/utterance_step.py` flags the utterance `sounds-like`: "number
unclear".

A language gives two things that must agree: `RULES`, the forms that may be spoken, as expansions
in the phrase notation of `protocol/templates.py` (the network is built from them), and `read`, what
the words mean. Its words for units and durations stand beside its numbers.
"""

from __future__ import annotations

from grammar.errors import UserError
from grammar.language.numbers import en, ko
from grammar.language.numbers.spoken import NumberLanguage


def language(code: str) -> NumberLanguage:
    """Return the numbers of a language by its ISO 639-1 code. Raises UserError for an unknown one."""
    match code:
        case "en":
            return en
        case "ko":
            return ko
        case _:
            raise UserError(
                f'There are no spoken numbers for the language "{code}", only for "en" and "ko".'
            )
