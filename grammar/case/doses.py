"""Orders, what was reported given, and how both compare with the sheet.

answerback compares what was said with what the team's own sheet says. It never suggests a dose.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from grammar.case.findings import Finding
from grammar.language.meaning import Slots
from grammar.language.numbers.units import normal, plain, same_amount, volume_ml
from grammar.protocol.model import Drug, Protocol, decimal
from grammar.times import clock

TaskState = Literal["pending", "done", "overdue", "withdrawn"]


@dataclass(frozen=True, slots=True)
class Task:
    """The task that an order sets. `ordered`, `due`, `done` in seconds on the case's clock."""

    loop: int
    call: str
    slots: Slots
    ordered: float
    due: float
    fact: int
    done: float | None = None
    done_fact: int | None = None
    withdrawn: bool = False

    def state(self, now: float) -> TaskState:
        """Return `withdrawn`, `done`, `overdue` once `now` is past the time it was due, else `pending`."""
        if self.withdrawn:
            return "withdrawn"
        if self.done is not None:
            return "done"
        return "overdue" if now > self.due else "pending"


@dataclass(frozen=True, slots=True)
class Report:
    """A call that reported tasks done. Both are facts by `seq`: the call itself, and the orders in
    `orders`.
    """

    fact: int
    orders: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DoseGiven:
    """A dose reported given. `amount` is None where none was said and none was ordered."""

    drug: str
    amount: Decimal | None
    unit: str
    t: float
    fact: int
    ordered_fact: int | None = None
    per_kg: Decimal | None = None
    """`unit` per kilogram of the entered weight."""
    ml: Decimal | None = None
    """Volume at the sheet's concentration."""
    as_ordered: bool = False
    """The report named no amount: it is that of the order."""


def per_kg(amount: Decimal, weight_kg: float | None) -> Decimal | None:
    """Return the amount per kilogram, or None without a weight."""
    return amount / decimal(weight_kg) if weight_kg else None


def in_ml(drug: Drug, amount: Decimal, unit: str) -> Decimal | None:
    """Return the volume at the sheet's concentration, or None where the sheet gives none that fits."""
    if drug.concentration is None:
        return None
    strength = drug.concentration
    try:
        return volume_ml(amount, unit, decimal(strength.amount), strength.unit)
    except ValueError:
        return None


def outside_range(drug: Drug, amount: Decimal, unit: str, weight_kg: float | None) -> str | None:
    """Return a sentence where a dose lies outside what the sheet allows for the weight, else None."""
    allowed = drug.range
    if allowed is None or (allowed.per_kg and not weight_kg):
        return None
    factor = decimal(weight_kg) if allowed.per_kg and weight_kg else Decimal(1)
    said, dimension = normal(amount, unit)
    low, low_dimension = normal(decimal(allowed.low) * factor, allowed.unit)
    high, _ = normal(decimal(allowed.high) * factor, allowed.unit)
    if dimension != low_dimension or low <= said <= high:
        return None
    side = "below" if said < low else "above"
    span = f"{plain(decimal(allowed.low))} to {plain(decimal(allowed.high))} {allowed.unit}"
    each = "/kg" if allowed.per_kg else ""
    return f"{drug.id} {plain(amount)} {unit} is {side} the sheet's {span}{each}"


def last_of(given: Sequence[DoseGiven], drug: str) -> DoseGiven | None:
    """Return the latest dose of a drug, or None; `given` in the order in which they took effect.

    One heard with doubt takes effect a little later than it was: so some more are looked at once the
    last is found, and not all, of which a week has many thousands.
    """
    found: DoseGiven | None = None
    more = LOOK_FURTHER
    for dose in reversed(given):
        if dose.drug == drug and (found is None or dose.t > found.t):
            found = dose
        if found is not None:
            more -= 1
            if not more:
                break
    return found


LOOK_FURTHER = 64


def orders_that_stand(tasks: Iterable[Task]) -> dict[int, Task]:
    """Return the tasks that were not withdrawn, by their fact: `DoseGiven.ordered_fact` names one."""
    return {task.fact: task for task in tasks if not task.withdrawn}


def not_as_ordered(tasks: Iterable[Task], given: Iterable[DoseGiven]) -> list[Finding]:
    """Return a finding for each dose whose amount is not that of its order, as the order stands now."""
    orders = orders_that_stand(tasks)
    found = []
    for dose in given:
        order = orders.get(dose.ordered_fact or 0)
        wanted = order and order.slots.get("amount")
        if order is None or dose.amount is None or not isinstance(wanted, Decimal):
            continue
        unit = str(order.slots.get("unit"))
        if same_amount(wanted, unit, dose.amount, dose.unit):
            continue
        text = (
            f"{dose.drug} reported as {plain(dose.amount)} {dose.unit},"
            f" ordered {plain(wanted)} {unit}"
        )
        found.append(Finding("dose-differs-from-order", dose.t, (order.fact, dose.fact), text))
    return found


def overdue(protocol: Protocol, tasks: Iterable[Task], now: float) -> list[Finding]:
    """Return a finding for each task that was not reported done in its time, as far as is known at
    `now`."""
    return [
        _overdue(protocol, task)
        for task in tasks
        if not task.withdrawn and (now if task.done is None else task.done) > task.due
    ]


def _overdue(protocol: Protocol, task: Task) -> Finding:
    call = protocol.calls[task.call]
    limit = call.task.limit_s if call.task else 0.0
    what = " ".join(str(value) for value in (call.title, *task.slots.values()))
    facts = (task.fact,) if task.done_fact is None else (task.fact, task.done_fact)
    text = f"{what}, ordered at {clock(task.ordered)}: not reported done within {limit:.0f} s"
    return Finding("task-overdue", task.due, facts, text)
