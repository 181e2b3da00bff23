"""Dose units and durations, the same in every language.

Canonical units: masses `mg`, `microgram` and `g`; the volume `mL`; the counted `unit` (heparin,
insulin); the energy `J` (a shock). The words for them are in the module of each language.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

Dimension = Literal["mass", "volume", "unit", "energy"]

_DIMENSIONS: Mapping[str, Dimension] = MappingProxyType(
    {"mg": "mass", "microgram": "mass", "g": "mass", "mL": "volume", "unit": "unit", "J": "energy"}
)
_THOUSANDS: Mapping[str, int] = MappingProxyType({"g": 3, "microgram": -3})
"""Powers of ten from a mass to mg; SI prefixes."""

UNITS = tuple(_DIMENSIONS)


def normal(amount: Decimal, unit: str) -> tuple[Decimal, Dimension]:
    """Return an amount to compare, with its dimension: masses in mg, other amounts as they are.

    Exact up to 28 digits. Raises ValueError for a unit that is not canonical.
    """
    dimension = _DIMENSIONS.get(unit)
    if dimension is None:
        raise ValueError(f"unknown unit {unit!r}; known are {', '.join(UNITS)}")
    return amount.scaleb(_THOUSANDS.get(unit, 0)), dimension


def same_amount(amount: Decimal, unit: str, other: Decimal, other_unit: str) -> bool:
    """Return whether two amounts mean the same: 0.1 mg and 100 microgram do, 5 mg and 5 mL never.

    Raises ValueError for a unit that is not canonical.
    """
    return normal(amount, unit) == normal(other, other_unit)


def volume_ml(amount: Decimal, unit: str, per_ml: Decimal, per_ml_unit: str) -> Decimal:
    """Return the volume in mL of an amount, at a concentration of `per_ml` (in `per_ml_unit`) in
    each mL.

    A volume is itself. Raises ValueError where amount and concentration are not of one dimension,
    where the concentration is a volume or not above zero, and for a unit that is not canonical.
    """
    value, dimension = normal(amount, unit)
    strength, strength_dimension = normal(per_ml, per_ml_unit)
    if strength <= 0 or strength_dimension == "volume":
        raise ValueError(f"not a concentration: {per_ml} {per_ml_unit} in 1 mL")
    if dimension == "volume":
        return value
    if dimension != strength_dimension:
        raise ValueError(f"{unit} has no volume at a concentration in {per_ml_unit}")
    return value / strength


def plain(value: Decimal) -> int | float:
    """Return a number for JSON: an int where it is whole, else the nearest float."""
    return int(value) if value == value.to_integral_value() else float(value)
