"""Private files of a team: each is kept under names it does not show, and whatever goes is written over.

One kept for a locked case is sealed with that case's passphrase: a line of its lock (`passphrase.py`) and
of the names' hashes, so that whoever wants to be forgotten needs no passphrase, then the sealed content.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Final

from grammar.errors import UserError
from listener.storage.encrypted_lines import open_line, seal_line
from listener.storage.passphrase import Keys, keys_for
from listener.storage.private_files import private_file, private_folder, remove_for_good, settle

LOCKED: Final = "locked"
_BEGINS: Final = b'{"locked"'


@dataclass(frozen=True, slots=True)
class Lock:
    """The lock of a kept file."""

    lock: bytes
    of: frozenset[str]
    """The hashes of the names that the file is of."""
    sealed: str = field(repr=False)


def name_key(name: str) -> str:
    """Return the form in which two spellings of a name are one."""
    return name.strip().casefold()


def hidden_name(names: Iterable[str]) -> str:
    """Return the stem of the file of these names: never a path of its own, whatever they are."""
    return sha256("\n".join(sorted(map(name_key, names))).encode()).hexdigest()[:24]


def sealed(content: bytes, keys: Keys | None, names: Iterable[str]) -> bytes:
    """Return the content of a file as it is kept, locked where there are `keys`, for these names."""
    if keys is None:
        return content
    head = {LOCKED: keys.lock.decode(), "of": [hidden_name([name]) for name in names]}
    return json.dumps(head).encode() + b"\n" + seal_line(keys, content).encode() + b"\n"


def lock_of(content: bytes) -> Lock | None:
    """Return the lock of a kept file; None where it is not locked. Raises ValueError where it cannot be
    read."""
    line, _, rest = content.partition(b"\n")
    if not line.startswith(_BEGINS):
        return None
    try:
        head = json.loads(line)
        return Lock(
            str(head[LOCKED]).encode(), frozenset(map(str, head["of"])), rest.decode().strip()
        )
    except (KeyError, TypeError) as error:
        raise ValueError(str(error)) from None


class Opening:
    """Opens kept files with one passphrase. Its keys are worked out once for each lock."""

    def __init__(self, passphrase: str | None) -> None:
        """None opens only what is not locked."""
        self._passphrase = passphrase
        self._keys: dict[bytes, Keys | None] = {}

    def content(self, stored: bytes) -> bytes | None:
        """Return the content of a kept file; None where another passphrase locks it. Raises ValueError
        where it was changed."""
        lock = lock_of(stored)
        if lock is None:
            return stored
        if self._passphrase is None:
            return None
        if lock.lock not in self._keys:
            self._keys[lock.lock] = keys_for(lock.lock, self._passphrase)
        keys = self._keys[lock.lock]
        return open_line(keys, lock.sealed) if keys else None


def keep(path: Path, partial: Path, content: bytes) -> None:
    """Keep a file in a private folder, in place of one that stands there: written whole at `partial` first.
    Raises OSError."""
    folder = path.parent
    if not folder.is_dir():
        folder.parent.mkdir(parents=True, exist_ok=True)
        private_folder(folder)
    if os.path.lexists(partial):
        remove_for_good(partial)
    private_file(partial, content)
    if os.path.lexists(path):
        remove_for_good(path)
    partial.rename(path)
    settle(folder)


def remove(path: Path) -> None:
    """Remove a file for good. Raises UserError where that cannot be."""
    try:
        remove_for_good(path)
    except OSError as error:
        raise UserError(f"{path} cannot be removed: {error.strerror}.") from None
    settle(path.parent)
