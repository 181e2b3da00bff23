"""Folders and files that only their owner may read, whatever the umask."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
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
    """Add a line to a file, made with mode 0600 where it is missing, and put it on the disk.

    Raises OSError, also for a pipe or a device, which could hold up whoever writes to it for ever.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK
    handle = os.open(path, flags, 0o600)
    with os.fdopen(handle, "ab") as file:
        _ordinary(handle)
        file.write(line.encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())


def lines_of(path: Path) -> list[str]:
    """Return a file's lines; none where it cannot be read."""
    try:
        return read_regular(path).decode().splitlines()
    except (OSError, UnicodeDecodeError):
        return []


LONGEST = 1 << 24
"""Bytes of the longest small file of a case: its protocol, seals, lock or notes."""


def read_regular(path: Path, longest: int = LONGEST) -> bytes:
    """Return the content of an ordinary file of at most `longest` bytes.

    A pipe, a device, a link or a file beyond that could hold up whoever reads it for ever. Raises OSError.
    """
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    with os.fdopen(handle, "rb") as file:
        about = _ordinary(handle)
        if about.st_size > longest:
            raise OSError(errno.EFBIG, "it is longer than any such file")
        return file.read(longest)


def _ordinary(handle: int) -> os.stat_result:
    """Return the state of an open file. Raises OSError for a pipe, a device or a folder."""
    about = os.fstat(handle)
    if not stat.S_ISREG(about.st_mode):
        raise OSError(errno.EINVAL, "it is no ordinary file")
    return about


def is_regular(path: Path) -> bool:
    """Return whether a path leads to an ordinary file, through no link."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def data_of(handle: int) -> Iterator[tuple[int, int]]:
    """Give the stretches (from, until) of an open file that hold anything; the rest is holes, zeros
    that no disk keeps. Raises OSError."""
    end, at = os.fstat(handle).st_size, 0
    while at < end:
        try:
            at = os.lseek(handle, at, os.SEEK_DATA)
        except OSError as error:
            if error.errno == errno.ENXIO:  # nothing but a hole follows
                return
            raise
        until = os.lseek(handle, at, os.SEEK_HOLE)
        yield at, until
        at = until


def copy_data(path: Path, copy: Path) -> None:
    """Copy an ordinary file, its holes as holes. Raises OSError."""
    with path.open("rb") as source, copy.open("wb") as target:
        for start, until in list(data_of(source.fileno())):
            source.seek(start)
            target.seek(start)
            while piece := source.read(min(1 << 20, until - source.tell())):
                target.write(piece)
        target.truncate(os.fstat(source.fileno()).st_size)


def data_size(path: Path) -> int:
    """Return how many bytes of a file are no holes. Raises OSError."""
    with path.open("rb") as file:
        return sum(until - start for start, until in data_of(file.fileno()))


_PIECE = 1 << 20


def remove_for_good(path: Path) -> None:
    """Write over a file on the disk, then unlink it; a link alone is unlinked. Raises OSError."""
    # Never through a link: what lies outside the folder is none of ours.
    if not path.is_symlink():
        handle = os.open(path, os.O_WRONLY | os.O_NOFOLLOW)
        try:
            about = os.fstat(handle)
            if stat.S_ISREG(about.st_mode):
                for at in range(0, about.st_size, _PIECE):
                    os.pwrite(handle, bytes(min(_PIECE, about.st_size - at)), at)
                os.fsync(handle)
        finally:
            os.close(handle)
    path.unlink()
