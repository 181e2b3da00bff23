"""Totals of each drug: what was reported given, and what was ordered and not reported given.

Only what was called out is known; nothing here is advice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from grammar.case.doses import DoseGiven, Task
from grammar.case.view import View
from grammar.language.numbers.units import normal
from grammar.protocol.model import Protocol


@dataclass(frozen=True, slots=True)
class Total:
    """An amount in one unit, of so many doses or orders."""

    amount: Decimal
    unit: str
    facts: tuple[int, ...]
    """The doses or orders that it adds up, by `seq`."""


@dataclass(frozen=True, slots=True)
class DrugTotal:
    """One drug over a case. Masses add up in the unit that was said first; other units stand apart."""

    drug: str
    given: tuple[Total, ...]
    given_unsaid: tuple[int, ...]
    """Doses reported given whose amount nobody said, by `seq`."""
    not_reported: tuple[Total, ...]
    """Ordered, and not reported given by the view's moment. Withdrawn orders are left out."""
    not_reported_unsaid: tuple[int, ...]


def dose_totals(protocol: Protocol, view: View) -> tuple[DrugTotal, ...]:
    """Return the totals of each drug that was given or ordered, in order of its first fact."""
    ordered = [
        task
        for task, state in view.tasks
        if state in ("pending", "overdue")
        and protocol.calls[task.call].effect == "order"
        and "drug" in task.slots
    ]
    first: dict[str, int] = {}
    for fact, drug in [
        *((dose.fact, dose.drug) for dose in view.doses),
        *((task.fact, str(task.slots["drug"])) for task in ordered),
    ]:
        first[drug] = min(fact, first.get(drug, fact))
    return tuple(
        _total(
            drug,
            [dose for dose in view.doses if dose.drug == drug],
            [task for task in ordered if task.slots["drug"] == drug],
        )
        for drug in sorted(first, key=first.__getitem__)
    )


def _total(drug: str, given: list[DoseGiven], ordered: list[Task]) -> DrugTotal:
    doses = [(dose.amount, dose.unit, dose.fact) for dose in given]
    orders = [
        (
            amount if isinstance(amount, Decimal) else None,
            str(task.slots.get("unit", "")),
            task.fact,
        )
        for task in ordered
        for amount in (task.slots.get("amount"),)
    ]
    return DrugTotal(
        drug=drug,
        given=_added(doses),
        given_unsaid=tuple(fact for amount, _, fact in doses if amount is None),
        not_reported=_added(orders),
        not_reported_unsaid=tuple(fact for amount, _, fact in orders if amount is None),
    )


def _added(amounts: Iterable[tuple[Decimal | None, str, int]]) -> tuple[Total, ...]:
    """Return the sum of what can be added up, one total a kind of unit."""
    found: dict[str, Total] = {}
    for amount, unit, fact in amounts:
        if amount is None:
            continue
        kind, value = _measured(amount, unit)
        known = found.get(kind)
        if known is None:
            found[kind] = Total(amount, unit, (fact,))
            continue
        _, each = _measured(Decimal(1), known.unit)
        found[kind] = Total(known.amount + value / each, known.unit, (*known.facts, fact))
    return tuple(found.values())


def _measured(amount: Decimal, unit: str) -> tuple[str, Decimal]:
    """Return what an amount adds up with, and its value there; a unit of no list stands alone."""
    try:
        value, dimension = normal(amount, unit)
    except ValueError:
        return f"unit {unit}", amount
    return dimension, value
