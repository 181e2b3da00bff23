"""Says why a case's folder cannot be written, in words that somebody beside the laptop can act on.

`fact_writer.py` goes on meanwhile, and `rescue.py` ends a case elsewhere. Nothing is written to find out.
Each second the system is only asked whether a file may be written, and how much room there is; a program
that watches the folder for changes sees none. Where a write has failed, a file is opened as though to be
written, since a disk that the system gave up may say yes and refuse.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Final

SCARCE_BYTES: Final = 20_000_000
"""Room that counts as scarce: about a quarter of an hour of sound, or facts for days."""

_PIECE_BYTES: Final = 65_536
"""More than is written at once: if less is free, a write that failed found the disk full."""

_FULL: Final = "the disk is full"
_AWAY: Final = "the case's folder is gone: is its drive there"
_READ_ONLY: Final = "the disk is read-only"
_FAILS: Final = "the disk fails"
_DENIED: Final = "the case's folder may not be written"

_WORDS: Final = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: "this user's share of the disk is used up",
    errno.EROFS: _READ_ONLY,
    errno.EACCES: _DENIED,
    errno.EPERM: _DENIED,
    errno.EIO: _FAILS,
    **dict.fromkeys(
        (errno.ENOENT, errno.ENOTDIR, errno.ESTALE, errno.ENODEV, errno.ENXIO, errno.ENOTCONN),
        _AWAY,
    ),
}

_SQLITE: Final = {
    "database or disk is full": _FULL,
    "attempt to write a readonly database": _READ_ONLY,
    "disk I/O error": _FAILS,
    "unable to open database file": "the case's journal cannot be opened",
}


def told(error: Exception) -> str:
    """Return an error of writing as a clause: in this system's words where it has some, else the
    error's own."""
    if isinstance(error, OSError) and error.errno is not None:
        return _WORDS.get(error.errno, f"the disk takes nothing ({error.strerror})")
    return _SQLITE.get(str(error), str(error))


def hindrance(file: Path) -> str:
    """Return why `file`, which was there and could be written, cannot be written now; "" where no
    reason is known.

    For a drive that hangs the call returns only when the drive answers.
    """
    return "" if os.access(file, os.W_OK) else _refusal(file)


def _refusal(file: Path) -> str:
    try:
        os.close(os.open(file, os.O_WRONLY))
    except OSError as error:
        return told(error)
    return ""


def cause(file: Path, error: Exception) -> str:
    """Return why `file` could not be written, where that ended in `error`, which itself may say
    little."""
    free = _free(file.parent)
    full = free is not None and free < _PIECE_BYTES
    return _refusal(file) or (_FULL if full else told(error))


def outlook(file: Path, scarce_bytes: int = SCARCE_BYTES) -> str:
    """Return what `hindrance` returns, or a sentence on how little room is left."""
    hindered, free = hindrance(file), _free(file.parent)
    if hindered or free is None or free >= scarce_bytes:
        return hindered
    return f"the disk is nearly full, {free / 1e6:.1f} MB left"


def _free(folder: Path) -> int | None:
    """Return the bytes that this user may still write; None where the system does not tell."""
    try:
        found = os.statvfs(folder)
    except (OSError, AttributeError):
        return None
    # Some file systems, of a network or made up by a program, have no blocks: they know no end.
    return found.f_bavail * found.f_frsize if found.f_blocks else None
