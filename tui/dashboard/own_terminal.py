"""The terminal kept for the screen: what libraries written in C print does not land across it.

PortAudio and ALSA write to standard error when a device goes away, whatever their caller wishes.
And the terminal lent to another program, had back as it was.
"""

from __future__ import annotations

import os
import signal
import sys
import termios
from collections.abc import Iterator
from contextlib import contextmanager

LEAVE = (
    "\x1b[?1000;1002;1003;1006;1015;1004;2004;2026l"  # mouse, focus, pasting, drawing at one go
    "\x1b[<u\x1b[?25h\x1b[0m\x1b[?1049l\r\n"  # keys as usual, cursor, colours, the usual screen
)
"""The words to a terminal that a killed screen could not say: xterm's control sequences, DEC
private modes reset."""


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
