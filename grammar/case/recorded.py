"""A call that the sheet has a line for, such as a drug given: one entry of the airway record."""

from __future__ import annotations

from dataclasses import dataclass

from grammar.language.meaning import Slots, SlotValue
from grammar.protocol.tables import Role


@dataclass(frozen=True, slots=True)
class RecordedCall:
    """A call that belongs to the record. `t` seconds on the case's clock; `sender` a station or None."""

    role: Role
    call: str
    slots: Slots
    t: float
    fact: int
    sender: str | None = None

    @property
    def value(self) -> SlotValue | None:
        """The first slot's value: a list's value as its id, a number; None where none was said."""
        return next(iter(self.slots.values()), None)
