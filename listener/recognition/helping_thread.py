"""A thread that does half of some work, and sleeps until there is more.

The threads of OpenBLAS wait for each other in a loop, which takes processor time from whoever else needs
it; this one waits in the kernel.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

Work = Callable[[], object]


class HelpingThread:
    """A second thread for work of which the arithmetic is numpy's, which lets both go on at once."""

    def __init__(self) -> None:
        self._asked: queue.SimpleQueue[Work] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Exception | None] = queue.SimpleQueue()
        threading.Thread(target=self._help, name="half", daemon=True).start()

    def both(self, here: Work, there: Work) -> None:
        """Do two things at once, and return once both are done. Raises what either raises."""
        self._asked.put(there)
        try:
            here()
        finally:
            failed = self._done.get()
        if failed:
            raise failed

    def _help(self) -> None:
        while True:
            work = self._asked.get()
            try:
                work()
            except Exception as error:
                self._done.put(error)
            else:
                self._done.put(None)
