"""Words for a dose that was reported given, where the report alone does not say all of it."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.case.doses import DoseGiven
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.text.wording import STATE_MARKS, amount, called_and_read_back


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
        loop = None if dose.ordered_fact is None else self._differing.get(dose.ordered_fact)
        if loop is not None and loop.differing:
            _, said = called_and_read_back(self._protocol, loop.call, loop.slots, loop.differing)
            yield f"{STATE_MARKS['differs']} read back {said}"
