"""Times and durations in words, as screens and the log have them."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

_DIGITS = 400
"""More than any float has before its point: a stored fact may hold whatever was once typed."""


def clock(seconds: float) -> str:
    """Return seconds on the case's clock as mm:ss, past one hour as h:mm:ss; a part of a second is
    cut."""
    whole = math.floor(abs(seconds))
    sign = "-" if seconds < 0 and whole else ""
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{sign}{minutes:02d}:{rest:02d}"
    return f"{sign}{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def duration(seconds: float | Decimal) -> str:
    """Return a duration as a team says it: 60 s, 90 s, 3 min, 3 min 30 s."""
    value = Decimal(str(seconds))
    with localcontext() as context:
        context.prec = _DIGITS
        minutes, rest = divmod(value, 60)
    if value < 120 or not minutes:
        return f"{number(value)} s"
    return f"{number(minutes)} min" + (f" {number(rest)} s" if rest else "")


def number(value: Decimal, significant: int | None = None) -> str:
    """Return a number without exponent or idle zeros, on request rounded to `significant` digits."""
    if significant is not None and value:
        value = value.quantize(Decimal(1).scaleb(value.adjusted() - significant + 1))
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
