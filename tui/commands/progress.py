"""Progress of reading a long case, on standard error, once it has taken two seconds."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tui.text.wording import clean

PATIENCE_S, EVERY_S = 2.0, 2.0
"""Nothing is said before, nor more often than that."""


@contextmanager
def reading(
    name: str, clock: Callable[[], float] = time.monotonic
) -> Iterator[Callable[[int, int], None]]:
    """Give a function that is told how much of how much is done, and says so when it is time."""
    due = clock() + PATIENCE_S
    watched = sys.stderr.isatty()
    said = False

    def done(count: int, of: int) -> None:
        nonlocal due, said
        if clock() < due:
            return
        due, said = clock() + EVERY_S, True
        line = f"reading {clean(name)}: {100 * count // max(of, 1)} %"
        print(f"\r\033[K{line}" if watched else line, end="" if watched else "\n", file=sys.stderr)
        sys.stderr.flush()

    try:
        yield done
    finally:
        if said and watched:
            print("\r\033[K", end="", file=sys.stderr, flush=True)
