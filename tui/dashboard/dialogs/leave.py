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

    def press(self, key: str, character: str | None) -> None:
        if key == self.keymap.of("quit"):
            self.end()
        elif character and key != "enter":
            raise ValueError(
                f"the case goes on; {self.keymap.shown('quit')} ends it, "
                f"{self.keymap.shown('close')} closes this question"
            )

    def on_ctrl_c(self) -> str:
        """Ctrl-C twice is a habit, and no answer."""
        return (
            f"Ctrl-C ends nothing: {self.keymap.shown('quit')} ends the case, "
            f"{self.keymap.shown('close')} goes on"
        )

    def end(self) -> None:
        """The case ends."""
        self.dismiss(END)

    def lines(self) -> Iterable[Line]:
        # Without the hint that Esc leaves: that might be taken for leaving the case.
        yield Content.styled(self._question, "bold $heading")
        text = Content.styled(f"{self.keymap.shown('quit')} again ends the case", "bold $ink")
        yield clickable(text, "end")
        yield Content.styled(f"{self.keymap.shown('close')} goes on listening", "$ink")
