"""Loops: a call and what answers it.

A loop is a value. `state(now)` derives what time alone decides, whether the call is unanswered;
everything else changes by a step that returns a new loop (see `answering.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from grammar.language.meaning import Slots, SlotValue
from grammar.language.numbers.units import same_amount
from grammar.protocol.model import Call
from grammar.replacing import replaced

LoopState = Literal[
    "open", "unheard", "unknown", "answered", "closed", "differs", "unanswered", "withdrawn"
]
"""`unheard` is an open loop whose window has passed, while its sound is not all heard yet: it may have been
answered. `unknown` is one that a person entered as a call of some time before, whose window has passed:
nothing listened for an answer to it, so that nobody can tell whether one came."""


@dataclass(frozen=True, slots=True)
class Loop:
    """One call that wants an answer. Times are seconds on the case's clock.

    `opened` is when the call began, `asked` when the waiting began: its end, or a later "say again".
    """

    id: int
    call: str
    slots: Slots
    fact: int
    opened: float
    asked: float
    window_s: float
    to: str | None = None
    sender: str | None = None
    channel: int = 1
    status: Literal["open", "answered", "closed", "differs", "withdrawn"] = "open"
    answered: float | None = None
    """When an answer that agrees began."""
    closed: float | None = None
    answer_fact: int | None = None
    differing: Slots | None = None
    """Values of the read-back that differed, kept after it was put right."""
    differing_fact: int | None = None
    needed: tuple[str, ...] = ()
    """Slots that an answer must still repeat, where a "negative" named only some."""
    stand_by_since: float | None = None
    """Time since which "stand by" keeps it waiting, seconds on the case's clock, or None."""
    stand_by_fact: int | None = None
    """The fact of the latest "stand by"."""
    late: bool = False
    repeats: int = 0
    flags: tuple[str, ...] = ()
    ended: float = 0.0
    """When the call ended."""
    unsure: bool = False
    """The call itself was heard with doubt and nobody has confirmed it."""
    number_unclear: bool = False
    """A person heard its answer, and not which of two numbers that sound alike it was."""
    past: bool = False
    """Entered by hand as a call of some time before: what is called now is seen before it, and nobody can
    tell whether it was answered."""

    @property
    def deadline(self) -> float:
        """Return when its answer is due, seconds on the case's clock."""
        return self.asked + self.window_s

    def state(self, now: float, told: float | None = None) -> LoopState:
        """Return the state at `now`: an open loop whose window has passed is `unanswered` (`unknown` where
        it was entered as a call of some time before), once all that was said in it is told; that is so up
        to `told` seconds on the case's clock (None: up to now)."""
        if self.status != "open" or self.stand_by_since is not None or now <= self.deadline:
            return self.status
        if told is not None and told <= self.deadline:
            return "unheard"
        return "unknown" if self.past else "unanswered"

    def age(self, now: float) -> float:
        """Return seconds since the call ended, or since it was asked for again."""
        return now - self.asked

    def flagged(self, *flags: str) -> Loop:
        """Return the loop with these flags added, each once."""
        all_of_them = _with_flags(self.flags, flags)
        return self if all_of_them is self.flags else replaced(self, flags=all_of_them)


@lru_cache(1024)
def _with_flags(own: tuple[str, ...], more: tuple[str, ...]) -> tuple[str, ...]:
    """Return these flags with more, each once; as one value for all loops that bear them."""
    new = tuple(flag for flag in more if flag not in own)
    return own + new if new else own


def deciding(call: Call) -> tuple[str, ...]:
    """Return the slots that an answer must repeat."""
    return call.deciding if call.readback == "key" else tuple(call.slots)


def differences(called: Slots, said: Slots, names: tuple[str, ...]) -> set[str]:
    """Return the slots of `names` that both have and that do not mean the same.

    Amounts compare by meaning (0.1 mg is 100 microgram) and carry their unit with them.
    """
    found: set[str] = set()
    for name in names:
        if name == "unit" or name not in called or name not in said:
            continue
        if name == "amount":
            if not _same_dose(called, said):
                found.add(name)
        elif called[name] != said[name]:
            found.add(name)
    return found


def _same_dose(called: Slots, said: Slots) -> bool:
    ours, theirs = called["amount"], said["amount"]
    unit = str(called.get("unit", ""))
    # A read-back that names no unit means the unit of the call it repeats.
    other = str(said.get("unit", unit))
    if isinstance(ours, str) or isinstance(theirs, str):
        return ours == theirs
    return same_amount(ours, unit, theirs, other) if unit and other else ours == theirs


def repeated(called: Slots, said: Slots, names: tuple[str, ...]) -> set[str]:
    """Return the slots of `names` that the answer says, out of those the call has; the unit may go
    unsaid."""
    return {name for name in names if name != "unit" and name in called and name in said}


def is_number(value: SlotValue | None) -> bool:
    """Return whether a slot holds a number."""
    return value is not None and not isinstance(value, str)
