"""Folders and files that only their owner may read, whatever the umask."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def private_folder(path: Path) -> None:
    """Make a folder, mode 0700. Raises FileExistsError where it is there already, OSError otherwise."""
    path.mkdir(mode=0o700)
    path.chmod(0o700)


def private_file(path: Path, content: bytes) -> None:
    """Make a file, mode 0600, and put it on the disk. Raises FileExistsError, or OSError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        os.fchmod(file.fileno(), 0o600)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def settle(folder: Path) -> None:
    """Put a folder's list of files on the disk, where its file system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def add_line(path: Path, line: str) -> None:
    """Add a line to a file, made with mode 0600 where it is missing, and put it on the disk."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW, 0o600)
    with os.fdopen(handle, "ab") as file:
        file.write(line.encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())


def lines_of(path: Path) -> list[str]:
    """Return a file's lines; none where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
