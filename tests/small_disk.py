"""A file system of a few megabytes, mounted for a test where the machine allows it."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


class SmallDisk:
    """A tmpfs that can be filled and emptied."""

    def __init__(self, path: Path) -> None:
        self.path = path
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


@contextmanager
def small_disk(path: Path, kilobytes: int = 2048) -> Iterator[SmallDisk]:
    """Skips the test where nothing can be mounted."""
    path.mkdir()
    try:
        _run("mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "small", str(path))
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this machine lets nobody mount a small file system")
    try:
        yield SmallDisk(path)
    finally:
        while os.path.ismount(path):
            _run("umount", "--lazy", str(path))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)
