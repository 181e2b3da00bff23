"""A lock on a case's folder, held by the one process that writes to it."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from grammar.errors import UserError

try:
    import fcntl
except ImportError:  # no such lock on this system: nothing tells of another process
    fcntl = None  # type: ignore[assignment]


class CaseLock:
    """A case folder held until `release`, or until the process ends in whatever way.

    The lock is on the folder itself and writes nothing. Raises UserError where another process has it.
    """

    def __init__(self, folder: Path) -> None:
        self._handle: int | None = None
        if fcntl is None:
            return
        try:
            handle = os.open(folder, os.O_RDONLY)
        except OSError as error:
            raise UserError(f"{folder} is not a case folder: {error.strerror}") from None
        if not _locked(handle, fcntl.LOCK_EX, tries=5):
            os.close(handle)
            raise UserError(
                f"{folder} is being heard by another answerback: end that, or follow it with"
                f" `answerback view {folder}`"
            ) from None
        self._handle = handle

    def release(self) -> None:
        """Release the lock. May be called more than once."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)


def _locked(handle: int, how: int, tries: int) -> bool:
    """Return whether the lock was taken. A process that asks `is_held` has it for an instant, hence
    the tries."""
    for again in range(tries):
        if again:
            time.sleep(0.05)
        try:
            fcntl.flock(handle, how | fcntl.LOCK_NB)
        except OSError:
            continue
        return True
    return False


@contextmanager
def hold_case(folder: Path) -> Iterator[None]:
    """Hold a case folder for a while. Raises UserError where another process has it."""
    here = CaseLock(folder)
    try:
        yield
    finally:
        here.release()


def is_held(folder: Path) -> bool:
    """Return whether some process is hearing the case now."""
    if fcntl is None:
        return False
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return False
    try:
        return not _locked(handle, fcntl.LOCK_SH, tries=1)
    finally:
        os.close(handle)
