"""Who is hearing a case: a folder is held by the process that writes to it, and by no other."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from grammar.errors import UserError

try:
    import fcntl
except ImportError:  # no such lock on this system: nothing tells of another process
    fcntl = None  # type: ignore[assignment]


class Held:
    """A case folder held until `release`, or until the process ends in whatever way.

    The lock is on the folder itself and writes nothing. Raises UserError where another process has it.
    """

    def __init__(self, folder: Path) -> None:
        self._handle: int | None = None
        if fcntl is None:
            return
        handle = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            raise UserError(
                f"{folder} is being heard by another answerback: end that, or follow it with"
                f" `answerback view {folder}`"
            ) from None
        self._handle = handle

    def release(self) -> None:
        """Let it go. May be called more than once."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """A case folder held for a while. Raises UserError where another process has it."""
    here = Held(folder)
    try:
        yield
    finally:
        here.release()


def is_held(folder: Path) -> bool:
    """Whether some process is hearing the case now."""
    try:
        Held(folder).release()
    except UserError:
        return True
    return False
