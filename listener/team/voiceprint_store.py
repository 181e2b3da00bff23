"""Where voices are kept whose people agreed: under a name for later cases, or in the folder of one case.

A kept voice is a file of its own (mode 0600 in a folder of mode 0700), sealed with the passphrase of the
case at whose briefing it was read, where that is locked. The voices of one case lie in its folder as lines
of `voices.jsonl`, sealed where the case is locked; they are removed when the case ends, or by `purge`.
Whatever is removed is written over first (`listener/storage/purge.py` says where that does not reach).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from grammar.errors import UserError
from listener.storage.encrypted_lines import open_line, seal_line
from listener.storage.passphrase import Keys
from listener.storage.private_files import add_line, read_regular
from listener.storage.purge import VOICES
from listener.team.kept_files import Opening, hidden_name, keep, remove, sealed
from listener.team.member import Member, as_json, from_json

LONGEST_NAME: Final = 60


@dataclass(frozen=True, slots=True)
class KeptVoices:
    """The voices that are kept."""

    members: tuple[Member, ...]
    """Those that could be opened, by name."""
    locked: int
    """How many others are locked with another passphrase."""


def kept_voices(folder: Path, passphrase: str | None = None) -> KeptVoices:
    """Return every kept voice that is open or that a passphrase opens; none where nobody's is. Raises
    UserError where one cannot be read."""
    if not folder.is_dir():
        return KeptVoices((), 0)
    opening = Opening(passphrase)
    found = [_read(path, opening) for path in sorted(folder.glob("*.json"))]
    members = sorted((one for one in found if one), key=lambda member: member.name)
    return KeptVoices(tuple(members), sum(one is None for one in found))


def is_kept(folder: Path, name: str) -> bool:
    """Return whether a voice is kept under a name, locked or not."""
    return os.path.lexists(_path(folder, name))


def keep_member(folder: Path, member: Member, keys: Keys | None = None) -> None:
    """Keep a voice under its name, in place of one of that name, locked where there are `keys`. Raises
    UserError where that cannot be."""
    name = member.name
    if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
        raise UserError(f"a voice is kept under a name of 1 to {LONGEST_NAME} printable signs.")
    path = _path(folder, name)
    try:
        keep(path, path.with_suffix(".part"), sealed(as_json(member).encode(), keys, [name]))
    except OSError as error:
        raise UserError(f"the voice cannot be kept in {folder}: {error.strerror}.") from None


def forget_member(folder: Path, name: str) -> bool:
    """Remove the voice kept under a name for good; False where there is none. Raises UserError where it
    cannot be removed."""
    path = _path(folder, name)
    found = False
    for each in (path, path.with_suffix(".part")):
        if os.path.lexists(each):
            remove(each)
            found = True
    return found


def keep_for_case(case: Path, keys: Keys | None, members: Sequence[Member]) -> None:
    """Add members' voices to a case, locked where it is. Raises UserError where that cannot be."""
    try:
        for member in members:
            text = as_json(member)
            add_line(case / VOICES, seal_line(keys, text.encode()) if keys else text)
    except OSError as error:
        raise UserError(f"the voices cannot be kept in {case}: {error.strerror}.") from None


def members_of_case(case: Path, keys: Keys | None) -> list[Member]:
    """Return the voices that lie in a case's folder. Raises UserError where one cannot be read."""
    path = case / VOICES
    if not os.path.lexists(path):
        return []
    try:
        lines = read_regular(path).decode().splitlines()
        texts = [open_line(keys, line).decode() if keys else line for line in lines]
    except (OSError, ValueError):
        raise UserError(f"{path} cannot be read.") from None
    return [from_json(text, str(path)) for text in texts]


def forget_case(case: Path) -> bool:
    """Remove the voices of a case for good; False where it has none. Raises UserError."""
    if not os.path.lexists(case / VOICES):
        return False
    remove(case / VOICES)
    return True


def _read(path: Path, opening: Opening) -> Member | None:
    """Return the voice of a file; None where another passphrase locks it."""
    try:
        content = opening.content(read_regular(path))
        text = None if content is None else content.decode()
    except (OSError, ValueError):
        raise UserError(f"{path} cannot be read as a voice that was kept.") from None
    return None if text is None else from_json(text, str(path))


def _path(folder: Path, name: str) -> Path:
    return folder / f"{hidden_name([name])}.json"
