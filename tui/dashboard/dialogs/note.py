"""A free note."""

from __future__ import annotations

from collections.abc import Iterable

from tui.dashboard.dialogs.dialog import Dialog, Line
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry


class NoteDialog(Dialog):
    """Takes a note of one line, stored with the time at which Enter was pressed."""

    def __init__(self, keys: KeyMap, manual: ManualEntry) -> None:
        super().__init__(keys)
        self._manual = manual
        self._typed = Typed()

    @property
    def writes(self) -> bool:
        return True

    def press(self, key: str, character: str | None) -> None:
        if key != "enter":
            self._typed.press(key, character)
            return
        text = " ".join(self._typed.text.split())
        if not text:
            raise ValueError("there is nothing to note yet")
        self._manual.note(text)
        self.dismiss("noted")

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        self.act(lambda: self._typed.add(text))

    def lines(self) -> Iterable[Line]:
        yield self.heading("NOTE", "Enter keeps it")
        yield from self._typed.picture().wrap(self.room)
