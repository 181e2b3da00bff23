"""Words for a dose that was reported given, where the report alone does not say all of it."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.case.doses import DoseGiven
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.text.wording import STATE_MARKS, amount, called_and_read_back


def dose_in_words(protocol: Protocol, view: View, dose: DoseGiven) -> str:
    """Return a dose with its unit, and what is to be known of it: "70 mg, as ordered"."""
    return ", ".join((amount(dose.amount, dose.unit), *remarks(protocol, view, dose)))


def remarks(protocol: Protocol, view: View, dose: DoseGiven) -> Iterator[str]:
    """Yield that nobody said the dose, which is that of its order; and how that was read back otherwise,
    where nobody has put it right."""
    if dose.as_ordered:
        yield "as ordered"
    for loop, state in view.loops:
        if loop.fact == dose.ordered_fact and state == "differs" and loop.differing:
            _, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing)
            yield f"{STATE_MARKS['differs']} read back {said}"
