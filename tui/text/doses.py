"""Words for a dose that was reported given, where the report alone does not say all of it."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from grammar.case.doses import DoseGiven, Task
from grammar.case.view import View
from grammar.language.numbers.units import normal
from grammar.protocol.model import Protocol
from tui.text.wording import STATE_MARKS, amount, called_and_read_back, clean, number


def per_kg_in_words(dose: DoseGiven) -> str:
    """Return a dose a kilogram with its unit, to two decimals, or two digits where it is small: 1.29 mg/kg,
    0.029 mg/kg. "" where it is not known."""
    value = dose.per_kg
    if value is None:
        return ""
    small = abs(value) < SMALL
    return f"{number(value, 2) if small else number(round(value, 2))} {clean(dose.unit)}/kg"


SMALL = Decimal("0.1")
"""Below this a dose a kilogram has two digits that count."""


class DoseWords:
    """Words for the doses of one view, made once for all of them: each is looked up by its order."""

    def __init__(self, protocol: Protocol, view: View) -> None:
        self._protocol = protocol
        self._differing = {
            loop.fact: loop for loop, state in view.loops if state == "differs" and loop.differing
        }

    def of(self, dose: DoseGiven) -> str:
        """Return a dose with its unit, and what is to be known of it: "70 mg, as ordered"."""
        return ", ".join((amount(dose.amount, dose.unit), *self.remarks(dose)))

    def remarks(self, dose: DoseGiven) -> Iterator[str]:
        """Yield that nobody said the dose, which is that of its order, and how that was read back
        otherwise, where nobody has put it right."""
        if dose.as_ordered:
            yield "as ordered"
        yield from self.read_back_otherwise(dose)

    def read_back_otherwise(self, dose: DoseGiven) -> Iterator[str]:
        """Yield how the order of a dose was read back otherwise, where nobody has put it right."""
        loop = None if dose.ordered_fact is None else self._differing.get(dose.ordered_fact)
        if loop is not None and loop.differing:
            _, said = called_and_read_back(self._protocol, loop.call, loop.slots, loop.differing)
            yield f"{STATE_MARKS['differs']} read back {said}"


def ordered_amount(order: Task) -> str:
    """Return the amount of an order with its unit, as the order stands now; "" where it names none."""
    value = order.slots.get("amount")
    return amount(value, str(order.slots.get("unit", ""))) if isinstance(value, Decimal) else ""


def against_order(dose: DoseGiven, order: Task) -> str:
    """Return how far the amount that was reported lies from the one that was ordered: "53 mg less than
    ordered, 24 % of it". "" where both are the same, or one was not said.

    Never a dose that would be right: only the difference of two that were called out.
    """
    wanted = order.slots.get("amount")
    if dose.amount is None or not isinstance(wanted, Decimal):
        return ""
    unit = str(order.slots.get("unit", ""))
    try:
        (given, kind), (asked, other) = normal(dose.amount, dose.unit), normal(wanted, unit)
    except ValueError:
        return ""
    if kind != other:
        return f"ordered in {unit}, reported in {dose.unit}"
    if given == asked:
        return ""
    # The difference in the unit of the order, in which the team thinks of it.
    one = normal(Decimal(1), unit)[0]
    apart = amount(abs(given - asked) / one, unit)
    side = "more" if given > asked else "less"
    if not asked:
        return f"{apart} {side} than ordered"
    times = given / asked
    share = (
        f"{number(times, 2)} times as much"
        if times >= MANY
        else f"{number(100 * times, 2)} % of it"
    )
    return f"{apart} {side} than ordered, {share}"


MANY = 2
"""From so many times the order on it is told as times, below in percent."""
