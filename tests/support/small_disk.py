"""A file system of a few megabytes, mounted for a test where the machine allows it."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest


class SmallDisk:
    """A tmpfs that can be filled and emptied, taken away and brought back."""

    def __init__(self, path: Path, store: Path) -> None:
        self.path = path
        self._store = store
        self._filling = path / "filling"

    def fill(self) -> None:
        """Leave not one page free."""
        with self._filling.open("ab", buffering=0) as file:
            for size in (65536, 4096, 1):
                try:
                    while True:
                        file.write(bytes(size))
                except OSError:
                    continue

    def empty(self) -> None:
        self._filling.unlink()

    def away(self) -> None:
        """As a drive that is pulled out: nothing is there any more, though files stay open."""
        _run("umount", "--lazy", str(self.path))

    def back(self, *, read_only: bool = False) -> None:
        """Where it was; read-only as a system mounts a drive that it does not trust."""
        store = self._store
        if read_only:
            # Made so elsewhere first: nobody may find it writable for a moment.
            store = self._store.with_name(f"{self._store.name}-read-only")
            store.mkdir()
            _run("mount", "--bind", str(self._store), str(store))
            _run("mount", "-o", "remount,bind,ro", str(store))
        _run("mount", "--bind", str(store), str(self.path))

    def trust(self) -> None:
        """Make it writable again."""
        _run("mount", "-o", "remount,bind,rw", str(self.path))


@contextmanager
def small_disk(path: Path, kilobytes: int = 2048) -> Iterator[SmallDisk]:
    """Skips the test where nothing can be mounted."""
    store = path.with_name(f"{path.name}-store")
    disk = SmallDisk(path, store)
    path.mkdir()
    store.mkdir()
    with _skipping():
        _run("mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "small", str(store))
    try:
        with _skipping():
            disk.back()
        yield disk
    finally:
        for place in (path, store.with_name(f"{store.name}-read-only"), store):
            _unmount(place)


@contextmanager
def failing_disk(folder: Path) -> Iterator[tuple[Path, Path]]:
    """An ext4 file system in a file, and what to write "1" to for an error that makes it read-only."""
    image, path = folder / "image", folder / "disk"
    path.mkdir()
    known = _ext4()
    with _skipping():
        image.write_bytes(bytes(16 << 20))
        _run("mkfs.ext4", "-q", str(image))
        _run("mount", "-o", "loop,errors=remount-ro", str(image), str(path))
    try:
        new = _ext4() - known
        if not new:
            pytest.skip("this system lets nobody make a file system fail")
        yield path, new.pop() / "trigger_fs_error"
    finally:
        _unmount(path)


def _ext4() -> set[Path]:
    with suppress(OSError):
        return set(Path("/sys/fs/ext4").iterdir())
    return set()


@contextmanager
def _skipping() -> Iterator[None]:
    try:
        yield
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this machine lets nobody mount a small file system")


def _unmount(path: Path) -> None:
    while os.path.ismount(path):
        _run("umount", "--lazy", str(path))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)
