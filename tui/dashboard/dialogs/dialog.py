"""The base of all dialogs: they stand over the log, leave the calls in sight, and Esc always leaves."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from textual.content import Content
from textual.style import Style

from grammar.errors import UserError
from tui.dashboard.keys import KeyMap
from tui.text.wording import CHOSEN, clean

Line = Content

CLICK = "does"
"""In a style's meta: a method of the dialog, and what it is called with."""


CAPITAL = "does nothing: a capital letter is no key here. Is Caps Lock on?"
"""Told of a capital letter wherever no text is written."""

BOUNCE_S = 0.7
"""An Enter that follows another sooner is a bounce, a double stroke or a key held down: nobody has read
in the meantime what it would store."""


class Dialog:
    """A dialog as lines of text. It ends with a sentence on what was done, or None.

    Keys change its state at once and the picture follows, so that keys typed quickly are all taken.
    """

    letters_may_follow = False
    """Whether letters typed right after the key that closed it, whichever that was, were meant for it."""

    def __init__(self, keys: KeyMap) -> None:
        self.keymap = keys
        self.error = ""
        self.room, self.most_rows = 76, 20
        """Cells of a line, and rows it may take, its border included; set before it is drawn."""
        self.left = False
        """Whether it is over; then `result` says what came of it."""
        self.result: str | None = None
        self._enter_at: float | None = None
        """When Enter was last struck, in seconds."""
        self._bounced = False
        """Whether the key that is being taken is an Enter struck just after another."""
        self._drawn: tuple[str, float] | None = None
        """The words that stood on the screen to be read, and since when, in seconds of the same clock; None
        before that was drawn."""
        self._unread = False
        """Whether the key that is being taken was struck before what it would store had stood on the screen
        for long enough."""
        self._doubt_read = ""
        """The oddity that was told last: Enter again stores it all the same."""
        self._top = 0
        """The first line in sight under the heading, where the terminal is too low for all."""
        self._pages = 0
        """Pages to be scrolled at the next drawing."""

    def dismiss(self, result: str | None) -> None:
        """End it."""
        self.left, self.result = True, result

    def struck(self, key: str, character: str | None, at: float | None = None) -> None:
        """Take a key, at once and in order: Esc leaves, every other key is the dialog's.

        `at` is when it was struck, in seconds of a clock that only goes on; None where nobody knows.
        """
        before, self._enter_at = self._enter_at, at if key == "enter" else None
        after_s = at - before if at is not None and before is not None else BOUNCE_S
        self._bounced = key == "enter" and after_s < BOUNCE_S
        self._unread = at is not None and not self._read_by(at)
        if key == "ctrl+c":
            self.error = self.on_ctrl_c()
            return
        if key == self.keymap.of("close"):
            self.dismiss(None)
            return
        self._pages = {"pageup": -1, "pagedown": 1}.get(key, 0)
        if not self.writes and self.keymap.is_stray_capital(key, character):
            self.error = f"{clean(character or '')} {CAPITAL}"
            return
        self.act(lambda: self.press(key, character))

    def _read_by(self, at: float) -> bool:
        """Return whether all that has to be read stood on the screen for long enough at `at`."""
        to_read, (words, since) = self.to_read, self._drawn or ("", at)
        return not to_read or (words == to_read and at - since >= BOUNCE_S)

    @property
    def writes(self) -> bool:
        """Return whether text is being written, which may have capital letters."""
        return False

    @property
    def to_read(self) -> str:
        """The words that have to stand on the screen for a while before a key stores them; "" where it may
        be struck at once."""
        return ""

    def drawn(self, words: str, at: float) -> None:
        """Take note that a frame with these words of `to_read` was drawn at `at`, in seconds of the clock
        of the keys.
        """
        if self._drawn is None or self._drawn[0] != words:
            self._drawn = words, at

    def look(self) -> bool:
        """Take what came about without a key, at each drawing. Returns whether anything did."""
        return False

    def on_ctrl_c(self) -> str:
        """Return what Ctrl-C is told while this is open: it never ends a case."""
        close = self.keymap.shown("close")
        return f"Ctrl-C does nothing here, and the case goes on: {close} leaves this"

    def after_reading(self) -> None:
        """Refuses a key that came before that which it stores could be read, and an Enter just after
        another. Raises ValueError."""
        if self._bounced or self._unread:
            raise ValueError("that came too soon: read it, then press it once more")

    def ask_again(self, doubt: str, told: str = "") -> None:
        """Refuses, once, to store what `doubt` says is odd; "" says nothing is. Raises ValueError, which
        begins with `told`."""
        if doubt and doubt != self._doubt_read:
            self._doubt_read = doubt
            raise ValueError(f"{told}Nothing is stored yet: Enter again if that is meant")

    def no_such_letter(self, character: str | None) -> None:
        """Raise ValueError for a character that nothing in a list has; other keys do nothing here."""
        if character and character.isprintable():
            raise ValueError(f'no letter "{clean(character)}" stands here')

    def act(self, what: Callable[[], None]) -> None:
        """Do something that may fail with a sentence."""
        self.error = ""
        try:
            what()
        except (UserError, ValueError) as error:
            self.error = str(error)

    def clicked(self, does: str, *what: int | str) -> None:
        """Do what was clicked: see `clickable`."""
        self.act(lambda: getattr(self, does)(*what))

    def paste(self, _text: str) -> None:
        """Take pasted text, where something can be written."""

    def scroll(self, pages: int) -> None:
        """Scroll the part that does not fit."""
        self._pages = pages

    def picture(self) -> list[Line]:
        """Return the lines in sight, an error last."""
        lines = [line for each in self.lines() for line in each.wrap(self.room)]
        wrong = Content.styled(f"! {self.error}", "bold $urgent").wrap(self.room)
        shown = self._in_sight(lines, self.most_rows - 2 - (len(wrong) if self.error else 0))
        return [*shown, *(wrong if self.error else ())]

    def _in_sight(self, lines: list[Line], rows: int) -> list[Line]:
        """Return all lines; or, where they are too many, the first and a part that holds what is chosen."""
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

    def press(self, key: str, character: str | None) -> None:
        """Take a key. Raises ValueError or UserError with a sentence to be shown."""
        raise NotImplementedError

    def lines(self) -> Iterable[Line]:
        """Return its lines of at most `room` cells."""
        raise NotImplementedError

    def heading(self, text: str, hint: str = "") -> Line:
        """Return the first line: what this is, and how it is left."""
        leave = f"{self.keymap.shown('close')} leaves"
        return Content.assemble(
            (text, "bold $heading"), (f"  {hint}{'  ' if hint else ''}{leave}", "$quiet")
        )


def clickable(line: Line, does: str, *what: int | str) -> Line:
    """Return the line, calling a method of its dialog, by name, when it is clicked."""
    return line.stylize(Style.from_meta({CLICK: (does, *what)}))


def choice(letter: str, text: str, does: str, at: int, *, chosen: bool = False) -> Line:
    """Return a letter and what it chooses."""
    mark = CHOSEN if chosen else " "
    style = "bold $ink" if chosen else "$ink"
    return clickable(
        Content.assemble(
            (f"{mark}{letter or ' '} ", "bold $heading"), _lettered(letter, text, style)
        ),
        does,
        at,
    )


def _lettered(letter: str, text: str, style: str) -> Line:
    """Return the text with its letter underlined, so that an "i" is seen to be that of "Given"; what stands
    before a colon is no part of the name.
    """
    name = max(text.find(": "), text.find("] ")) + 1
    at = text.lower().find(letter, name) if letter.isalpha() else -1
    line = Content.styled(text, style)
    return line if at < 0 else line.stylize("underline", at, at + 1)


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
