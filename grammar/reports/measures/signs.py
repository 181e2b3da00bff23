"""Vital signs in numbers, from the values that were called out.

Only values that were called are known. Between two calls the last value is taken to have held:
common practice for charts, no source. So a fall that nobody called out is not in these figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from grammar.case.view import View
from grammar.case.vitals import VitalSign
from grammar.protocol.model import Protocol, decimal


@dataclass(frozen=True, slots=True)
class Sign:
    """One vital sign over a case. Of equal values the earliest is named.

    Of a sign with two values (a blood pressure) it is the first, the systolic, that is compared.
    """

    id: str
    title: str
    unit: str
    called: int
    """How many values were called out."""
    lowest: VitalSign
    highest: VitalSign


@dataclass(frozen=True, slots=True)
class Below:
    """Time below `threshold`: `seconds` of the `known_s` seconds since the first value.

    `facts` are the values below it, by `seq`.
    """

    threshold: Decimal
    seconds: float
    known_s: float
    facts: tuple[int, ...]


def signs(view: View) -> tuple[Sign, ...]:
    """Return each vital sign that was called out, in order of first appearance."""
    groups: dict[str, list[VitalSign]] = {}
    for sign in view.vitals:
        groups.setdefault(sign.id, []).append(sign)
    return tuple(
        Sign(
            id=name,
            title=values[0].title,
            unit=values[0].unit,
            called=len(values),
            lowest=min(values, key=lambda sign: (sign.values[0], sign.t)),
            highest=max(values, key=lambda sign: (sign.values[0], -sign.t)),
        )
        for name, values in groups.items()
    )


def thresholds(protocol: Protocol, view: View) -> dict[str, Below]:
    """Time below the threshold of each vital sign for which the protocol names one (`below`)."""
    return {
        name: below(view, name, decimal(vital.below))
        for name, vital in protocol.vitals.items()
        if vital.below is not None
    }


def below(view: View, sign_id: str, threshold: Decimal) -> Below:
    """Return how long a vital sign was below `threshold` (not at it), up to the end or the view's
    moment."""
    values = sorted(
        (s for s in view.vitals if s.id == sign_id), key=lambda sign: (sign.t, sign.fact)
    )
    end = view.now if view.ended is None else min(view.ended, view.now)
    until = [*(sign.t for sign in values[1:]), end]
    low = [
        (sign, max(0.0, later - sign.t))
        for sign, later in zip(values, until, strict=False)
        if sign.values[0] < threshold
    ]
    return Below(
        threshold,
        seconds=sum(seconds for _, seconds in low),
        known_s=max(0.0, end - values[0].t) if values else 0.0,
        facts=tuple(sign.fact for sign, _ in low),
    )
