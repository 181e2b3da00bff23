"""Work done in order in a thread of its own, so that it holds up nobody."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable


class Background:
    """A thread that does jobs in the order in which they were added."""

    def __init__(self, name: str) -> None:
        """`name` is the thread's. It begins at once."""
        self._jobs: queue.Queue[Callable[[], None] | None] = queue.Queue()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def add(self, job: Callable[[], None]) -> None:
        """Add a job; it is not waited for."""
        self._jobs.put(job)

    def finish(self) -> None:
        """Wait until all is done. Nothing may be added after."""
        self._jobs.put(None)
        self._thread.join()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
