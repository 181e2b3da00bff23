"""A dose that lies outside the team's sheet, said before it is stored."""

from __future__ import annotations

from decimal import Decimal

from grammar.case.doses import outside_range
from grammar.language.meaning import Slots
from grammar.protocol.model import Protocol, decimal
from tui.text.wording import clean, number


def sheet_doubt(protocol: Protocol, slots: Slots, weight_kg: float | None) -> str:
    """Return a clause on a dose outside the range of the sheet for this weight in kg; "" where nothing
    is odd about it, or the sheet gives no range."""
    sheet, amount = protocol.drugs.get(str(slots.get("drug", ""))), slots.get("amount")
    if sheet is None or not isinstance(amount, Decimal):
        return ""
    unit = str(slots.get("unit", sheet.unit))
    found = outside_range(sheet, amount, unit, weight_kg)
    if found is None:
        return ""
    heavy = f" at {number(decimal(weight_kg))} kg" if weight_kg else ""
    return clean(f"{found}{heavy}")
