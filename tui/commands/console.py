"""A terminal, or plain streams, on which a card is read: lines, questions, a bar, and keys."""

from __future__ import annotations

import os
import select
import sys
import termios
import textwrap
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, TextIO

from listener.team.card_reading import Wish
from tui.text.wording import clean

_BAR: Final = 24
_NARROWEST: Final = 40
_WISHES: Final = {"s": "skip", "\x1b": "leave", "q": "leave"}


class Console:
    """Asks and tells on a terminal, or on plain streams."""

    def __init__(self, lines: TextIO | None = None, out: TextIO | None = None) -> None:
        """Standard input and standard error where nothing else is given."""
        self._lines, self._out = lines or sys.stdin, out or sys.stderr
        self._drawn = False

    def say(self, text: str, *, bold: bool = False) -> None:
        """Print a line; on a terminal in place of the bar, broken between words, and bold where wanted."""
        self.clear_bar()
        whole = self._broken(text)
        marked = f"\033[1m{whole}\033[0m" if bold and self._out.isatty() else whole
        print(marked, file=self._out, flush=True)

    def clear_bar(self) -> None:
        """Take the bar away, before somebody else prints a line."""
        if self._drawn:
            print("\r\033[K", end="", file=self._out, flush=True)
            self._drawn = False

    def _broken(self, text: str) -> str:
        """Return a text that breaks no word at the edge of a terminal."""
        told = clean(text)
        if not self._out.isatty():
            return told
        wide = max(_columns(self._out), _NARROWEST)
        indent = " " * (len(told) - len(told.lstrip()))
        return textwrap.fill(
            told.lstrip(),
            wide,
            initial_indent=indent,
            subsequent_indent=f"{indent}  ",
            break_on_hyphens=False,
        )

    def ask(self, question: str) -> str:
        """Return the answer, a line; "" at the end of the input."""
        self.clear_bar()
        print(self._broken(question), end=" ", file=self._out, flush=True)
        answer = self._lines.readline().strip()
        if not self._lines.isatty():  # else whoever answered ended the line
            print(file=self._out)
        return answer

    @property
    def waits(self) -> bool:
        """Return whether it can be looked whether a line is typed, without waiting for one."""
        try:
            return self._lines.fileno() >= 0
        except (OSError, ValueError):  # no file: lines that are there already
            return False

    def typed(self) -> str | None:
        """Return a line that was typed by now; None where none is."""
        if not select.select([self._lines], [], [], 0)[0]:
            return None
        return self._lines.readline().strip()

    def bar(self, done: int, of: int, loud: float) -> None:
        """Show how far the card is, and how loud it is now, 0 to 1."""
        meter = "▮" * round(10 * min(loud * 2, 1.0))
        self.progress(done, of, f"   {meter:<10}  s skip, q end")

    def progress(self, done: int, of: int, beside: str = "") -> None:
        """Show how far long work is, on a terminal, and a text `beside` it."""
        if self._out.isatty():
            full = _BAR * done // max(of, 1)
            line = f"  [{'█' * full}{'·' * (_BAR - full)}] {done} of {of}{beside}"
            print(f"\r\033[K{line}", end="", file=self._out, flush=True)
            self._drawn = True

    @contextmanager
    def keys(self) -> Iterator[Wish]:
        """Give a function that says which key was pressed since it was last asked."""
        if not self._lines.isatty():
            yield lambda: ""
            return
        handle = self._lines.fileno()
        before = termios.tcgetattr(handle)
        tty.setcbreak(handle)
        try:
            yield lambda: _pressed(handle)
        finally:
            termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _columns(out: TextIO) -> int:
    """Return how wide a terminal is."""
    try:
        return os.get_terminal_size(out.fileno()).columns
    except OSError:
        return 80


def _pressed(handle: int) -> str:
    if not select.select([handle], [], [], 0)[0]:
        return ""
    return _WISHES.get(os.read(handle, 1).decode(errors="replace"), "")
