"""Ending a case that is still being heard: never by one key alone."""

from __future__ import annotations

from collections.abc import Iterable

from textual.content import Content

from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.keys import KeyMap

END = "end"
"""The dialog's result where the case is to end."""


class LeaveDialog(Dialog):
    """Asks once more."""

    def __init__(self, keys: KeyMap, question: str) -> None:
        super().__init__(keys)
        self._question = question

    def press(self, key: str, _character: str | None) -> None:
        if key in (self.keymap.of("quit"), "enter"):
            self.end()
        else:
            self.dismiss(None)

    def end(self) -> None:
        """The case ends."""
        self.dismiss(END)

    def lines(self) -> Iterable[Line]:
        # Without the hint that Esc leaves: that might be taken for leaving the case.
        yield Content.styled(self._question, "bold $heading")
        text = Content.styled(f"{self.keymap.shown('quit')} again, or Enter, ends it", "bold $ink")
        yield clickable(text, "end")
        yield Content.styled("any other key goes on", "$ink")
