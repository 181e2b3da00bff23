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


class Dialog(ModalScreen[str | None]):
    """A dialog drawn as lines of text. It ends with a sentence on what was done, or None.

    Keys change its state at once and the picture follows, so that keys typed quickly are all taken.
    """

    AUTO_FOCUS: ClassVar[str | None] = None

    def __init__(self, keys: KeyMap) -> None:
        super().__init__()
        self.keymap = keys
        self.error = ""

    def compose(self) -> ComposeResult:
        text = Static(id="dialog-text", markup=False)
        text.auto_links = False
        yield text

    def on_mount(self) -> None:
        """Leaves the lines at the bottom of the dashboard in sight."""
        self._place()
        self.draw()

    def _place(self) -> None:
        dialog = self.query_one("#dialog-text")
        dialog.styles.margin = (0, 0, self._bottom, 0)
        dialog.styles.max_height = self.most_rows

    @property
    def _bottom(self) -> int:
        """Rows at the bottom of the dashboard, which stay in sight."""
        return self.app.screen_stack[0].query_one("#bottom").size.height

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
            lines = list(self.lines())
            if self.error:
                lines.append(Content.styled(f"! {self.error}", "bold $urgent"))
            text.update(Content("\n").join(lines))

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
    mark = "▶" if chosen else " "
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
