"""Oddities of a call that is about to be stored: a dose outside the sheet or told twice, no drug, a vital
sign far from the last. Each is told before it is stored, and takes one more Enter."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from grammar.case.doses import DoseGiven, outside_range
from grammar.case.vitals import VitalSign
from grammar.language.meaning import Slots
from grammar.language.numbers.units import same_amount
from grammar.protocol.model import Call, Protocol, decimal
from tui.text.wording import amount, clean, clock, drug, number

TWICE_S: Final = 300.0
"""An equal dose of the same drug so near in time may be the same dose, told twice; seconds."""

FAR: Final = Decimal("1.5")
"""From so many times the value before on, or as small a part of it, a vital sign is asked about: "forty
nine" after 94, "fifteen" for fifty. Our own choice, no source: it costs one more Enter where the patient
changed."""


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


def far_vital(
    call: Call, slots: Slots, signs: Sequence[VitalSign], *, at: float, but: int | None = None
) -> str:
    """Return a clause on a vital sign far from the last one told up to `at`, in seconds on the case's
    clock; "" where it is near, or there is none. `but` is the fact of the sign itself, where it stands."""
    if call.vital is None:
        return ""
    values = [value for value in slots.values() if isinstance(value, Decimal)]
    told = [one for one in signs if one.id == call.vital.id and one.t <= at and one.fact != but]
    last = max(told, key=lambda one: (one.t, one.fact), default=None)
    if last is None or not any(_far(*pair) for pair in zip(values, last.values, strict=False)):
        return ""
    return f"far from {last.text} {clean(last.unit)} at {clock(last.t)}"


def _far(value: Decimal, before: Decimal) -> bool:
    less, more = sorted((value, before))
    return more >= FAR * less if less > 0 else more > 0


def no_drug(call: Call, slots: Slots) -> str:
    """Return a clause where a call that can name a drug names none; "" elsewhere."""
    return "no drug is named" if "drug" in call.slots and "drug" not in slots else ""


def given_already(
    protocol: Protocol, doses: Sequence[DoseGiven], call: Call, *, slots: Slots, at: float
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
