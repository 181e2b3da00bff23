"""A page to be read over the dashboard, such as the handover; it goes on with the case beneath it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from textual.content import Content

from grammar.case.view import View
from tui.dashboard.dialogs.dialog import Dialog, Line
from tui.dashboard.keys import KeyMap
from tui.pages.page import Page, as_text
from tui.text.wording import clock

STEPS = {"up": -1, "down": 1, "home": -10_000, "end": 10_000}
"""Rows that a key goes."""
LINES_A_SECOND = 100
"""Lines of a page from which on it is renewed less often: it takes some milliseconds to lay out ten."""
PAGES = {"pageup": -1, "pagedown": 1}
"""Pages that a key goes, each less one line that stays in sight."""


class ReadingDialog(Dialog):
    """Shows a page as of a moment that it names, renewed each second, a long one less often; the arrows
    scroll. The lines in sight stay where they are when others come above them."""

    def __init__(
        self, keys: KeyMap, view_now: Callable[[], View], page_of: Callable[[View], Page]
    ) -> None:
        """`page_of` makes the page of the case at a view's moment."""
        super().__init__(keys)
        self._view_now, self._page_of = view_now, page_of
        self._view = view_now()
        self._read = page_of(self._view)
        self._laid_out: tuple[Page, int, Sequence[str]] | None = None
        """The lines of a page in so many cells, as they were last asked for."""
        self._from = 0
        """The first line of the page in sight; the base sets its own back where all lines fit."""

    def look(self) -> bool:
        """Take over what the case has become while it is read."""
        was, view = self._page(), self._view_now()
        every_s = 1 + len(was) // LINES_A_SECOND
        if int(view.now / every_s) == int(self._view.now / every_s):
            return False
        self._view, self._read = view, self._page_of(view)
        page = self._page()
        if 0 < self._from < len(was):
            # The same line stands on top as before, wherever it has come to stand.
            same = [at for at, line in enumerate(page) if line == was[self._from]]
            self._from = min(same, key=lambda at: abs(at - self._from), default=self._from)
        self._from = min(self._from, max(len(page) - self._rows, 0))
        return True

    def press(self, key: str, _character: str | None) -> None:
        step = STEPS.get(key, PAGES.get(key, 0) * max(self._rows - 1, 1))
        last = max(len(self._page()) - self._rows, 0)
        self._from = min(max(self._from + step, 0), last)

    def lines(self) -> Iterable[Line]:
        page = self._page()
        below = len(page) - self._from - self._rows
        hint = f"arrows scroll, {below} lines below" if below > 0 else "arrows scroll"
        yield self.heading(f"TO READ OUT, as of {clock(self._view.now)}", hint)
        yield from (Content(line) for line in page[self._from : self._from + self._rows])

    @property
    def _rows(self) -> int:
        """Rows of the page in sight: the dialog's, less its border and its heading."""
        return max(self.most_rows - 3, 1)

    def _page(self) -> Sequence[str]:
        page, room = self._read, self.room - 2
        if self._laid_out is None or self._laid_out[:2] != (page, room):
            self._laid_out = page, room, as_text(page, room).splitlines()
        return self._laid_out[2]
