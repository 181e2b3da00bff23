"""The patient's weight, entered or put right during a case."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.view import View
from grammar.protocol.model import decimal
from tui.dashboard.dialogs.dialog import Dialog, Line
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.weights import typed_weight, unusual_weight
from tui.text.wording import number


class WeightDialog(Dialog):
    """Takes the patient's weight in kilograms. One far from the protocol's, or from the weight before,
    takes Enter twice.
    """

    def __init__(
        self, keys: KeyMap, manual: ManualEntry, view_now: Callable[[], View], odd: str = ""
    ) -> None:
        """`odd` is what is odd about the weight that stands, which is asked about then."""
        super().__init__(keys)
        self._manual = manual
        self._before = view_now().weight_kg
        self._typed = Typed(number(decimal(self._before)) if odd and self._before else "")
        self._odd = odd
        self._asked: float | None = None
        """The odd weight that was asked about."""

    @property
    def writes(self) -> bool:
        return True

    def press(self, key: str, character: str | None) -> None:
        if key != "enter":
            self._typed.press(key, character)
            self._asked = None
            return
        self.after_reading()
        weight_kg = typed_weight(self._typed.text)
        if self._odd and weight_kg == self._before:
            self.dismiss(f"the weight stays {number(decimal(weight_kg))} kg")
            return
        doubt = unusual_weight(self._manual.protocol, weight_kg, self._before)
        if doubt and weight_kg != self._asked:
            self._asked = weight_kg
            raise ValueError(f"{doubt}: Enter again if that is meant")
        self._manual.weigh(weight_kg)
        self.dismiss(f"weight {number(decimal(weight_kg))} kg, for doses called from now on")

    def lines(self) -> Iterable[Line]:
        known = (
            f"{number(decimal(self._before))} kg so far" if self._before else "not entered so far"
        )
        yield self.heading("WEIGHT IN KG", f"{known}, Enter keeps what is written")
        if self._odd:
            yield Content.styled(f"!! {self._odd}: write the right one, or Enter", "bold $urgent")
        yield from self._typed.picture().wrap(self.room)
        yield Content.styled("doses that were called before stay as they were judged", "$quiet")
