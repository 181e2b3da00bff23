"""The terminal kept for the screen: what libraries written in C print does not land across it.

PortAudio and ALSA write to standard error when a device goes away, whatever their caller wishes.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


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
