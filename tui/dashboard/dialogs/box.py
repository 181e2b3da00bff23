"""The box in which a dialog stands: over the log, with the calls and the lines at the bottom in sight."""

from __future__ import annotations

import time
from collections.abc import Callable

from textual import events
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from tui.dashboard.dialogs.dialog import CLICK, Dialog
from tui.dashboard.widgets.calls import LEAST_CALLS, LEAST_LOG, MOST_CALLS

Then = Callable[[str | None], None]
"""Given a dialog's result once it is gone."""


def kept_rows(rows: int, waiting: int = 0) -> int:
    """Return how many of the rows between header and foot a dialog or the help leaves to the waiting calls
    and the log: a third, and no more than three calls with large digits need; in a low terminal a row for
    each of six calls where a dialog keeps its least rows."""
    calls = 1 + min(max(waiting, LEAST_CALLS - 1), MOST_CALLS)
    return max(calls + LEAST_LOG, min(rows // 3, 12))


LEAST_ROWS = 9
"""Rows that a dialog has even where the waiting calls must then go; the urgent line stays."""


class DialogBox(Static):
    """Always there and mostly hidden: a screen of its own for each dialog would have all that stands
    beneath drawn anew each time one comes or goes."""

    def __init__(self, resized: Callable[[], None], waiting: Callable[[], int] = lambda: 0) -> None:
        """`resized` is called when it takes other rows than before: what stands beneath makes room.
        `waiting` tells how many calls wait there."""
        super().__init__(id="dialog-text", markup=False)
        self.auto_links = False
        self._resized, self._waiting = resized, waiting
        self.dialog: Dialog | None = None
        """The one that is open."""
        self._then: Then | None = None
        self.rows = 0
        """Rows that it takes while one is open."""

    def open(self, dialog: Dialog, then: Then) -> None:
        """Show a dialog, and give `then` its result when it is gone."""
        self.dialog, self._then = dialog, then
        self.draw()
        self.display = True

    def struck(self, key: str, character: str | None, at: float | None = None) -> None:
        """Give the dialog a key that was struck at `at`."""
        self._do(lambda dialog: dialog.struck(key, character, at))

    def paste(self, text: str) -> None:
        """Give it pasted text, which is typed text."""
        self._do(lambda dialog: dialog.paste(text))

    def on_click(self, event: events.Click) -> None:
        """Do what the text that was clicked stands for."""
        does = event.style.meta.get(CLICK)
        if does:
            self._do(lambda dialog: dialog.clicked(*does))

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Scroll the part that does not fit."""
        event.stop()
        self._do(lambda dialog: dialog.scroll(1))

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """And back."""
        event.stop()
        self._do(lambda dialog: dialog.scroll(-1))

    def look(self) -> None:
        """Has the dialog take what came about without a key."""
        if self.dialog and self.dialog.look():
            self._do(lambda _dialog: None)

    def _do(self, what: Callable[[Dialog], None]) -> None:
        dialog, then = self.dialog, self._then
        if dialog is None:
            return
        what(dialog)
        if not dialog.left:
            self.draw()
            return
        self.dialog, self._then, self.display, self.rows = None, None, False, 0
        self._resized()
        if then is not None:
            then(dialog.result)

    def draw(self) -> None:
        """Draw the dialog as it stands, in the room there is."""
        dialog = self.dialog
        if dialog is None:
            return
        around = self.parent.size if isinstance(self.parent, Widget) else self.app.size
        dialog.room = max(around.width - 4, 20)
        dialog.most_rows = max(
            around.height - kept_rows(around.height, self._waiting()),
            min(around.height - 1, LEAST_ROWS),
        )
        lines = dialog.picture()
        self.update(Content("\n").join(lines), layout=False)
        if words := dialog.to_read:
            # Called once the frame is drawn, however late that is; keys bear the time of the same clock.
            self.app.call_after_refresh(lambda: dialog.drawn(words, time.monotonic()))
        if self.rows != len(lines) + 2:
            self.rows = len(lines) + 2
            self.styles.height = self.rows
            self._resized()
