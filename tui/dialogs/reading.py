"""A page to be read over the dashboard, such as the handover; the case goes on beneath it."""

from __future__ import annotations

from collections.abc import Iterable

from textual.containers import VerticalScroll
from textual.content import Content

from tui.dialogs.dialog import Dialog, Line
from tui.keys import KeyMap
from tui.page import Page, as_text

STEPS = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10, "home": -10_000, "end": 10_000}
"""Rows that a key goes."""


class Reading(Dialog):
    """Shows a page as it stood when it was opened; the arrows scroll."""

    def __init__(self, keys: KeyMap, page: Page) -> None:
        super().__init__(keys)
        self._read = page

    def press(self, key: str, _character: str | None) -> None:
        if key in STEPS:
            for page in self.query(VerticalScroll):  # none before the page is drawn
                page.scroll_relative(y=STEPS[key], animate=False)

    def lines(self) -> Iterable[Line]:
        yield self.heading("TO READ OUT", "arrows scroll")
        yield from (Content(line) for line in as_text(self._read, self.room - 2).splitlines())
