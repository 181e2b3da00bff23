"""A body weight that may be a slip of the hand."""

from __future__ import annotations

from grammar.protocol.model import Protocol, decimal
from tui.text.wording import number

USUAL_KG = (30.0, 200.0)
"""Weights of adults outside of which one is asked about. Common practice, no source."""
MOST_KG = 700
"""No person weighs as much."""
FAR = 1.5
"""A new weight is asked about where it is so many times the one before, or that much less."""


def typed_weight(text: str) -> float:
    """Return the weight in kg that a person typed. Raises ValueError, with a clause, where it is none."""
    try:
        weight_kg = float(text.replace(",", "."))
    except ValueError:
        weight_kg = 0.0
    if not 0 < weight_kg < MOST_KG:
        raise ValueError(f'"{text}" is not a weight between 0 and {MOST_KG} kg')
    return weight_kg


def unusual_weight(protocol: Protocol, kg: float, before: float | None = None) -> str:
    """Return a clause that asks about a weight in kg; "" where nothing is odd about it.

    It is held to the weight that was known before, and to the weights for which the protocol plans
    (`weights_kg`), else to those of adults.
    """
    given = f"{number(decimal(kg))} kg"
    if before is not None and not before / FAR <= kg <= before * FAR:
        return f"{given} is far from {number(decimal(before))} kg, which was entered before"
    low, high = protocol.protocol.weights_kg or USUAL_KG
    if not low <= kg <= high:
        span = f"{number(decimal(low))} to {number(decimal(high))} kg"
        return f"{given} lies outside {span}, for which this protocol plans"
    return ""
