"""The team's sheet before a case: planned doses for a weight, plans, limits, phrases in short.

Everything here is what the local team wrote in its protocol. Nothing is suggested.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from grammar.case.doses import in_ml
from grammar.protocol.model import Drug, Protocol, Spoken, decimal
from grammar.protocol.templates import Choice, Literal, Maybe, Node, Sequence, Slot


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetDose:
    """One drug of the sheet for a weight. None where the sheet says nothing, or a weight is missing."""

    drug: str
    amount: Decimal | None
    """The planned dose, in `unit`."""
    unit: str
    ml: Decimal | None
    """Its volume at the sheet's concentration."""
    low: Decimal | None
    high: Decimal | None
    """The most that the sheet allows, in the range's own unit."""


def sheet_dose(drug: Drug, weight_kg: float | None) -> SheetDose:
    """Return the dose that the sheet plans and allows for this weight, in kilograms."""
    planned, allowed = drug.planned, drug.range
    amount = _for(planned.amount, planned.per_kg, weight_kg) if planned else None
    unit = planned.unit if planned else drug.unit
    return SheetDose(
        drug=drug.id,
        amount=amount,
        unit=unit,
        ml=in_ml(drug, amount, unit) if amount is not None else None,
        low=_for(allowed.low, allowed.per_kg, weight_kg) if allowed else None,
        high=_for(allowed.high, allowed.per_kg, weight_kg) if allowed else None,
    )


def _for(value: float, per_kg: bool, weight_kg: float | None) -> Decimal | None:
    if not per_kg:
        return decimal(value)
    return decimal(value) * decimal(weight_kg) if weight_kg else None


def plans(protocol: Protocol) -> tuple[Spoken, ...]:
    """Return the values of every list that a call recorded as `plan` names, in the order of the
    sheet."""
    types = {
        kind for call in protocol.call if call.record == "plan" for kind in call.slots.values()
    }
    return tuple(value for lst in protocol.list if lst.id in types for value in lst.values)


def in_short(node: Node) -> str:
    """Return a phrase in its shortest form: first alternatives, nothing that may be left out,
    ‹slots›."""
    return " ".join(_short(node))


def _short(node: Node) -> Iterator[str]:
    match node:
        case Literal(word):
            yield word
        case Slot(name, _):
            yield f"‹{name.replace('_', ' ')}›"
        case Sequence(parts):
            for part in parts:
                yield from _short(part)
        case Choice(options):
            yield from _short(options[0])
        case Maybe():
            return
        case _:
            return
