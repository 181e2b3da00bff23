"""Oddities of a call that is about to be entered, told before it is stored."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from grammar.case.doses import DoseGiven
from grammar.language.meaning import Slots
from grammar.language.numbers.units import same_amount
from grammar.protocol.model import Call, Protocol
from tui.text.wording import amount, clock, drug

TWICE_S: Final = 300.0
"""An equal dose of the same drug so near in time may be the same dose, told twice; seconds."""


def no_drug(call: Call, slots: Slots) -> str:
    """Return a clause where a call that can name a drug names none; "" elsewhere."""
    return "no drug is named" if "drug" in call.slots and "drug" not in slots else ""


def given_already(
    protocol: Protocol, doses: Sequence[DoseGiven], call: Call, slots: Slots, at: float
) -> str:
    """Return a clause on an equal dose that was reported given within five minutes of `at`, in seconds on
    the case's clock; "" where none was, or the call reports no dose given. An amount that was not said
    may be any."""
    if call.effect != "given" or "drug" not in slots:
        return ""
    name = str(slots["drug"])
    for dose in reversed(doses):
        if dose.drug == name and abs(dose.t - at) <= TWICE_S and _may_equal(protocol, dose, slots):
            told = amount(dose.amount, dose.unit) if dose.amount is not None else ""
            words = " ".join(filter(None, (drug(protocol, name), told)))
            return f"{words} stands already at {clock(dose.t)}"
    return ""


def _may_equal(protocol: Protocol, dose: DoseGiven, slots: Slots) -> bool:
    value = slots.get("amount")
    if dose.amount is None or not isinstance(value, Decimal):
        return True
    sheet = protocol.drugs.get(dose.drug)
    unit = str(slots.get("unit", sheet.unit if sheet else dose.unit))
    return same_amount(dose.amount, dose.unit, value, unit)
