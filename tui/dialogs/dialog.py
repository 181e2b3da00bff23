"""What all dialogs share: they stand over the log, leave the calls in sight, and Esc always leaves."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.content import Content
from textual.screen import ModalScreen
from textual.style import Style
from textual.widgets import Static

from grammar.errors import UserError
from tui.keys import KeyMap

Line = Content

CHOSEN = "▶"
"""Before what Enter would take."""


class Dialog(ModalScreen[str | None]):
    """A dialog drawn as lines of text. It ends with a sentence on what was done, or None.

    Keys change its state at once and the picture follows, so that keys typed quickly are all taken.
    """

    AUTO_FOCUS: ClassVar[str | None] = None

    def __init__(self, keys: KeyMap) -> None:
        super().__init__()
        self.keymap = keys
        self.error = ""
        self._top = 0
        """The first line in sight under the heading, where the terminal is too low for all."""
        self._pages = 0
        """Pages to be scrolled at the next drawing."""

    def compose(self) -> ComposeResult:
        text = Static(id="dialog-text", markup=False)
        text.auto_links = False
        yield text

    def on_mount(self) -> None:
        """Leaves the lines at the bottom of the dashboard in sight."""
        self._place()
        self.draw()

    def _place(self) -> None:
        for dialog in self.query("#dialog-text"):  # none where quick fingers have left it already
            dialog.styles.margin = (0, 0, self._bottom, 0)
            dialog.styles.max_height = self.most_rows

    @property
    def _bottom(self) -> int:
        """Rows at the bottom of the dashboard, which stay in sight."""
        found = self.app.screen_stack[0].query("#bottom")  # gone where the dashboard goes
        return found.first().size.height if found else 0

    @property
    def most_rows(self) -> int:
        """Rows that the dialog may take, its border included."""
        return max(self.app.size.height - self._bottom - 3, 4)

    def struck(self, key: str, character: str | None) -> None:
        """Takes a key, at once and in order: Esc leaves, every other key is the dialog's."""
        self.error = ""
        if key == self.keymap.of("close"):
            self.dismiss(None)
            return
        self._pages = {"pageup": -1, "pagedown": 1}.get(key, 0)
        self.act(lambda: self.press(key, character))

    def act(self, what: Callable[[], None]) -> None:
        """Does something that may fail with a sentence, and draws what came of it."""
        try:
            what()
        except (UserError, ValueError) as error:
            self.error = str(error)
        if self.is_attached and self.app.screen is self:
            self.draw()

    def on_resize(self) -> None:
        """Lines are laid out for the room there is."""
        if self.query("#dialog-text"):
            self._place()
            self.draw()

    @property
    def room(self) -> int:
        """Cells of a line."""
        return max(self.app.size.width - 4, 20)

    def draw(self) -> None:
        """Draws the dialog as it stands."""
        for text in self.query("#dialog-text").results(Static):
            lines = [line for each in self.lines() for line in each.wrap(self.room)]
            wrong = Content.styled(f"! {self.error}", "bold $urgent").wrap(self.room)
            shown = self._in_sight(lines, self.most_rows - 2 - (len(wrong) if self.error else 0))
            text.update(Content("\n").join([*shown, *(wrong if self.error else ())]))

    def _in_sight(self, lines: list[Line], rows: int) -> list[Line]:
        """All lines; or, where they are too many, the first and a part that holds what is chosen."""
        if len(lines) <= rows:
            self._top = 0
            return lines
        first, rest, seen = lines[0], lines[1:], max(rows - 2, 1)
        chosen = next((at for at, line in enumerate(rest) if CHOSEN in line.plain), None)
        if self._pages:
            self._top += self._pages * seen
        elif chosen is not None:
            self._top = min(max(self._top, chosen - seen + 1), chosen)
        self._pages, self._top = 0, min(max(self._top, 0), len(rest) - seen)
        more = f"{self._top} lines above, {len(rest) - seen - self._top} below: PgUp, PgDn"
        shown = rest[self._top : self._top + seen]
        return [first, *shown, Content.styled(more, "$quiet")]

    def on_mouse_scroll_down(self) -> None:
        """The wheel scrolls what does not fit."""
        self._pages = 1
        self.draw()

    def on_mouse_scroll_up(self) -> None:
        """And back."""
        self._pages = -1
        self.draw()

    def press(self, key: str, character: str | None) -> None:
        """Takes a key. Raises ValueError or UserError with a sentence to be shown."""
        raise NotImplementedError

    def lines(self) -> Iterable[Line]:
        """What it shows, in lines of at most `room` cells."""
        raise NotImplementedError

    def heading(self, text: str, hint: str = "") -> Line:
        """The first line: what this is, and how it is left."""
        leave = f"{self.keymap.shown('close')} leaves"
        return Content.assemble(
            (text, "bold $heading"), (f"  {hint}{'  ' if hint else ''}{leave}", "$quiet")
        )


def clickable(line: Line, action: str) -> Line:
    """The line, doing an action of its dialog when it is clicked."""
    return line.stylize(Style.from_meta({"@click": f"screen.{action}"}))


def choice(letter: str, text: str, action: str, *, chosen: bool = False) -> Line:
    """A letter and what it chooses."""
    mark = CHOSEN if chosen else " "
    style = "bold $ink" if chosen else "$ink"
    return clickable(
        Content.assemble((f"{mark}{letter or ' '} ", "bold $heading"), (text, style)), action
    )


def columns(items: Sequence[Line], width: int) -> list[Line]:
    """Items side by side, read downwards, in as many columns as the width holds."""
    if not items:
        return []
    for count in range(len(items), 0, -1):
        rows = -(-len(items) // count)
        cells = [
            max(item.cell_length for item in items[at : at + rows]) + 2
            for at in range(0, len(items), rows)
        ]
        if sum(cells) <= width + 2:
            break
    lines = []
    for row in range(rows):
        parts = [
            item.pad_right(cell - item.cell_length)
            for item, cell in zip(items[row::rows], cells, strict=False)
        ]
        lines.append(Content("").join(parts))
    return lines
