"""A page to be read over the dashboard, such as the handover; the case goes on beneath it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual.content import Content

from tui.dashboard.dialogs.dialog import Dialog, Line
from tui.dashboard.keys import KeyMap
from tui.pages.page import Page, as_text

STEPS = {"up": -1, "down": 1, "home": -10_000, "end": 10_000}
"""Rows that a key goes."""
PAGES = {"pageup": -1, "pagedown": 1}
"""Pages that a key goes, each less one line that stays in sight."""


class ReadingDialog(Dialog):
    """Shows a page as it stood when it was opened; the arrows scroll."""

    def __init__(self, keys: KeyMap, page: Page) -> None:
        super().__init__(keys)
        self._read = page
        self._from = 0
        """The first line of the page in sight; the base sets its own back where all lines fit."""

    def press(self, key: str, _character: str | None) -> None:
        step = STEPS.get(key, PAGES.get(key, 0) * max(self._rows - 1, 1))
        last = max(len(self._page()) - self._rows, 0)
        self._from = min(max(self._from + step, 0), last)

    def lines(self) -> Iterable[Line]:
        page = self._page()
        below = len(page) - self._from - self._rows
        hint = f"arrows scroll, {below} lines below" if below > 0 else "arrows scroll"
        yield self.heading("TO READ OUT", hint)
        yield from (Content(line) for line in page[self._from : self._from + self._rows])

    @property
    def _rows(self) -> int:
        """Rows of the page in sight: the dialog's, less its border and its heading."""
        return max(self.most_rows - 3, 1)

    def _page(self) -> Sequence[str]:
        return as_text(self._read, self.room - 2).splitlines()
