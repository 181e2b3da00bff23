"""Private files of a team: each is kept under names it does not show, and whatever goes is written over."""

from __future__ import annotations

import os
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path

from grammar.errors import UserError
from listener.storage.private_files import private_file, private_folder, remove_for_good, settle


def name_key(name: str) -> str:
    """Return the form in which two spellings of a name are one."""
    return name.strip().casefold()


def hidden_name(names: Iterable[str]) -> str:
    """Return the stem of the file of these names: never a path of its own, whatever they are."""
    return sha256("\n".join(sorted(map(name_key, names))).encode()).hexdigest()[:24]


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
