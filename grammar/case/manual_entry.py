"""Reads a person's entry at the keyboard by the protocol, as speech is read."""

from __future__ import annotations

from decimal import Decimal

from grammar.case.facts import Entered, Heard
from grammar.language.meaning import Meaning, Reading, SlotValue
from grammar.language.numbers.units import UNITS
from grammar.language.words import Word
from grammar.protocol.model import Call, Protocol, required


def heard_of(fact: Entered) -> Heard:
    """Return the entry as if it had been heard, for the log."""
    words = (fact.call, *(str(value) for _, value in fact.slots))
    return Heard(
        seq=fact.seq,
        t=fact.t,
        until=fact.t,
        words=tuple(Word(word, fact.t, fact.t) for word in words),
        sender=fact.sender,
    )


def meaning_of(protocol: Protocol, fact: Entered) -> Meaning:
    """Return the meaning of an entry; `unrecognised` where it is no call of the protocol with
    fitting slots.

    The entry may come from a case that was kept under another version of the protocol.
    """
    call = protocol.calls.get(fact.call)
    if call is None:
        return Meaning("unrecognised", score=0.0)
    slots: dict[str, SlotValue] = {}
    for name, value in fact.slots:
        found = _value(protocol, call, name, value)
        if found is None:
            return Meaning("unrecognised", score=0.0)
        slots[name] = found
    drug = protocol.drugs.get(str(slots.get("drug")))
    if drug and "amount" in slots:
        slots.setdefault("unit", drug.unit)
    if "amount" in slots and "drug" in call.slots and drug is None:
        return Meaning("unrecognised", score=0.0)  # an amount of what?
    if not any(required(node) <= set(slots) for node in call.nodes):
        return Meaning("unrecognised", score=0.0)
    return Meaning("call", (Reading(call.id, slots),), to=fact.to, sender=fact.sender)


def _value(protocol: Protocol, call: Call, name: str, value: str | float) -> SlotValue | None:
    """Return the value as the slot holds it, or None where the slot cannot."""
    kind = call.slots.get(name)
    if kind is None:
        return None
    if name == "unit":
        return str(value) if value in UNITS else None
    if name == "drug":
        return str(value) if value in protocol.drugs else None
    listed = protocol.lists.get(kind)
    if listed:
        return str(value) if value in {one.id for one in listed.values} else None
    if isinstance(value, str):
        return None
    number = Decimal(str(value))
    return number if number.is_finite() and number >= 0 else None
