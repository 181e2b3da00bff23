"""The terminal kept for the screen: what libraries written in C print does not land across it.

PortAudio and ALSA write to standard error when a device goes away, whatever their caller wishes.
And the terminal lent to another program, had back as it was; and kept quiet while a screen is made ready.
"""

from __future__ import annotations

import array
import fcntl
import os
import signal
import sys
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Final, Self

LEAVE = (
    "\x1b[?1000;1002;1003;1006;1015;1004;2004;2026l"  # mouse, focus, pasting, drawing at one go
    "\x1b[<u\x1b[?25h\x1b[0m\x1b[?1049l\r\n"  # keys as usual, cursor, colours, the usual screen
)
"""The words to a terminal that a killed screen could not say: xterm's control sequences, DEC
private modes reset."""


TOO_EARLY: Final = "keys pressed before this screen came did nothing: press them again"


class EarlyKeys:
    """The keys that are struck while a screen is made ready: none is written across the terminal, none
    ends the program, and none runs as a command of a screen that its user has not seen yet.

    Where standard input is no terminal, nothing is done.
    """

    def __init__(self, terminal: int = 0) -> None:
        """`terminal` is a file descriptor."""
        self._terminal = terminal
        self._before: list[int | list[bytes | int]] | None = None

    def __enter__(self) -> Self:
        if os.isatty(self._terminal):
            self._before = termios.tcgetattr(self._terminal)
            quiet = termios.tcgetattr(self._terminal)
            quiet[3] &= ~(termios.ECHO | termios.ICANON | termios.ISIG)
            termios.tcsetattr(self._terminal, termios.TCSADRAIN, quiet)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.end()

    def dropped(self) -> bool:
        """Drop what was struck so far; return whether anything was."""
        if self._before is None:
            return False
        waiting = array.array("i", [0])
        fcntl.ioctl(self._terminal, termios.FIONREAD, waiting)
        termios.tcflush(self._terminal, termios.TCIFLUSH)
        return waiting[0] > 0

    def end(self) -> None:
        """Have the terminal as it was before. Keys that nobody took do not reach the shell."""
        before, self._before = self._before, None
        if before is not None:
            termios.tcsetattr(self._terminal, termios.TCSAFLUSH, before)


@contextmanager
def own_terminal() -> Iterator[None]:
    """While it lasts only Python writes to the terminal through standard error, where that is one."""
    usual = sys.__stderr__
    if usual is None or sys.stderr is not usual or not usual.isatty():
        yield
        return
    usual.flush()
    terminal = os.dup(2)
    silent = os.open(os.devnull, os.O_WRONLY)
    with os.fdopen(terminal, "w", encoding=usual.encoding, errors="replace") as drawn:
        # Textual draws on what stands here.
        sys.stderr = sys.__stderr__ = drawn  # type: ignore[misc]
        os.dup2(silent, 2)
        try:
            yield
        finally:
            drawn.flush()
            os.dup2(terminal, 2)
            sys.stderr = sys.__stderr__ = usual  # type: ignore[misc]
            os.close(silent)


@contextmanager
def lent_terminal(terminal: int) -> Iterator[None]:
    """The terminal, a file descriptor, lent to a program that is waited for: afterwards it takes keys
    as before, however that one ended, and Ctrl-C meanwhile is that program's alone."""
    before = termios.tcgetattr(terminal)
    # Not ignored: what is ignored here would be ignored there as well.
    patience = signal.signal(signal.SIGINT, lambda *_: None)
    try:
        yield
    finally:
        termios.tcsetattr(terminal, termios.TCSAFLUSH, before)
        signal.signal(signal.SIGINT, patience)
