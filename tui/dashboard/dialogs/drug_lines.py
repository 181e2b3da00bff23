"""The drug of a call that is about to be stored, on a line of its own."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from textual.content import Content

from grammar.language.meaning import Slots
from grammar.protocol.model import Protocol
from tui.text.wording import amount, clean, drug


def drug_lines(protocol: Protocol, slots: Slots) -> Iterator[Content]:
    """Yield the drug, its dose with the unit, and its group by the protocol where it has one, so that two
    drugs on neighbouring keys do not look alike; nothing where no drug is named."""
    sheet = protocol.drugs.get(str(slots.get("drug", "")))
    if sheet is None:
        return
    value = slots.get("amount")
    dose = amount(value, str(slots.get("unit", ""))) if isinstance(value, Decimal) else ""
    group = clean(sheet.group or "").replace("-", " ").upper()
    yield Content.assemble(
        "  ",
        (f" {drug(protocol, sheet.id).upper()} ", "bold reverse $ink"),
        (f"  {dose}", "bold $ink"),
        (f"   group: {group}" if group else "", "bold $heading"),
    )
