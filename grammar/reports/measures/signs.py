"""Vital signs in numbers, from the values that were called out.

Only values that were called are known. Between two calls the last value is taken to have held, as charts
do (common practice, no source), but no longer than HOLDS_S: after that it is not known. So a fall that
nobody called out is not in these figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from grammar.case.view import View
from grammar.case.vitals import VitalSign
from grammar.protocol.model import Protocol, decimal

HOLDS_S = 60.0
"""A value called out is taken to hold for so many seconds at most. Ours, no source: a saturation can fall
within a minute."""


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
    silence_s: float
    """The longest time from one value to the next, or to the end: what happened in it nobody said."""
    silent_after: VitalSign
    """The value that it follows; the earliest where two are as long."""


@dataclass(frozen=True, slots=True)
class Below:
    """Time below `threshold`: `seconds` of the `known_s` seconds in which a value held, see HOLDS_S.

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
    return tuple(_sign(view, name, values) for name, values in groups.items())


def _sign(view: View, name: str, values: list[VitalSign]) -> Sign:
    silence_s, silent_after = _silence(view, values)
    return Sign(
        id=name,
        title=values[0].title,
        unit=values[0].unit,
        called=len(values),
        lowest=min(values, key=lambda sign: (sign.values[0], sign.t)),
        highest=max(values, key=lambda sign: (sign.values[0], -sign.t)),
        silence_s=silence_s,
        silent_after=silent_after,
    )


def _silence(view: View, values: list[VitalSign]) -> tuple[float, VitalSign]:
    """Return the longest time without a new value, and the value before it."""
    ordered = sorted(values, key=lambda sign: (sign.t, sign.fact))
    lasted = [max(0.0, after - sign.t) for sign, after in _with_next(view, ordered)]
    at = max(range(len(ordered)), key=lambda place: lasted[place])
    return lasted[at], ordered[at]


def _with_next(view: View, ordered: list[VitalSign]) -> Iterator[tuple[VitalSign, float]]:
    """Yield each value with the time of the next, for the last with the end or the view's moment."""
    end = view.now if view.ended is None else min(view.ended, view.now)
    yield from zip(ordered, [*(sign.t for sign in ordered[1:]), end], strict=False)


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
    held = [
        (sign, min(max(0.0, later - sign.t), HOLDS_S)) for sign, later in _with_next(view, values)
    ]
    low = [(sign, seconds) for sign, seconds in held if sign.values[0] < threshold]
    return Below(
        threshold,
        seconds=sum(seconds for _, seconds in low),
        known_s=sum(seconds for _, seconds in held),
        facts=tuple(sign.fact for sign, _ in low),
    )
