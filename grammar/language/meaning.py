"""The meaning of an utterance: the value that `parse.py` makes and the fold works on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

from grammar.protocol.tables import Head

SlotValue = str | Decimal
Slots = Mapping[str, SlotValue]
"""Slot name -> value: ids for drugs, lists and units, Decimals for numbers and seconds."""

NO_SLOTS: Slots = MappingProxyType({})
"""One value for all utterances that hold no slot."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to take the words: as this call of the protocol, with these slots."""

    call: str
    slots: Slots
    unit_said: bool = True
    """False where the unit in `slots` is only the one that the sheet means when none is said."""

    def slots_after(self, called: Slots) -> Slots:
        """Return the slots as an answer to `called`: a unit that was not said is the call's."""
        if self.unit_said or "unit" not in called:
            return self.slots
        return {**self.slots, "unit": called["unit"]}


@dataclass(frozen=True, slots=True)
class Meaning:
    """The meaning of one utterance.

    `kind`: a full `call` phrase; an `answer`, the slots alone, which any of `readings` may be; a
    checklist `item`; a `proword` alone; or `unrecognised`.
    """

    kind: Literal["call", "answer", "item", "proword", "unrecognised"]
    readings: tuple[Reading, ...] = ()
    prowords: tuple[str, ...] = ()
    """All prowords said, in order, without "over"."""
    to: str | None = None
    sender: str | None = None
    checklist: str | None = None
    item: str | None = None
    score: float = 1.0
    """1 where the words fit a phrase exactly; less for the nearest phrase (0 to 1)."""
    doubts: tuple[str, ...] = ()
    """Why this should not count yet: `number-conflict`, `out-of-bounds`, `nearest`."""
    sounds_like: tuple[Decimal, ...] = field(default=())
    """Twins (15 for 50) of numbers that were not confirmed by digits."""

    @property
    def at_stake(self) -> bool:
        """Return whether it holds a drug, a unit or a number, which would do harm if heard wrongly."""
        for reading in self.readings:
            for name, value in reading.slots.items():
                if name in ("drug", "unit") or isinstance(value, Decimal):
                    return True
        return False

    @property
    def reading(self) -> Reading | None:
        """The first reading, the only one of a call."""
        return self.readings[0] if self.readings else None

    def said(self, *prowords: str) -> bool:
        """Return whether any of these prowords was said."""
        return bool(self.prowords) and any(proword in self.prowords for proword in prowords)


def bound_of_doubt(head: Head, meaning: Meaning) -> float:
    """Return the confidence, 0 to 1, below which an utterance of this meaning is unsure."""
    if head.unsure_below_at_stake is not None and meaning.at_stake:
        return head.unsure_below_at_stake
    return head.unsure_below
