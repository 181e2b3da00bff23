"""Vital signs as they were called out."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from grammar.language.meaning import Slots
from grammar.protocol.model import Vital


@dataclass(frozen=True, slots=True)
class VitalSign:
    """One value (two for a blood pressure, systolic first) called out at `t` seconds."""

    id: str
    title: str
    unit: str
    values: tuple[Decimal, ...]
    t: float
    fact: int

    @property
    def text(self) -> str:
        """The value as a chart writes it: 94, 130/80."""
        return "/".join(f"{value.normalize():f}" for value in self.values)


def vital_sign(vital: Vital, slots: Slots, t: float, fact: int) -> VitalSign | None:
    """Return the vital sign that a call's slots carry, or None where they carry no number."""
    values = tuple(value for value in slots.values() if isinstance(value, Decimal))
    return (
        VitalSign(id=vital.id, title=vital.title, unit=vital.unit, values=values, t=t, fact=fact)
        if values
        else None
    )
