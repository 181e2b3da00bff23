"""Where networks lie that were fitted to a team: beside the voices they were made of, as private, and gone
with the first of them that is forgotten.

A network fitted to kept voices is a file of its own (mode 0600) among them, one for each team that read
together, locked as they are. One with a voice for a single case lies in that case's folder, sealed where it
is locked, and goes when the case ends, or by `purge`. Each begins with a line that says whose it is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

from grammar.errors import UserError
from listener.storage.encrypted_lines import open_line, seal_line
from listener.storage.passphrase import Keys
from listener.storage.private_files import (
    private_file,
    read_regular,
    settle,
)
from listener.storage.purge import FITTED
from listener.team.kept_files import Opening, hidden_name, keep, lock_of, name_key, remove, sealed

_ENDING: Final = ".network"
_LONGEST: Final = 1 << 26
"""Bytes of the longest network, sealed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedNetwork:
    """The quick ear's network as it was fitted to a team."""

    names: tuple[str, ...]
    """The names under which its members' voices are kept; the station of one for this case only."""
    shipped: str
    """The fingerprint of the network that it was made of."""
    before: int
    """Sentences kept aside that the one that ships understood."""
    after: int
    of: int
    network: bytes = field(repr=False)

    @property
    def in_words(self) -> str:
        """The counts of the sentences kept aside that were understood, such as `14, before 11, of 22`."""
        return f"{self.after}, before {self.before}, of {self.of} sentences kept aside"


def keep_fitted(folder: Path, fitted: FittedNetwork, keys: Keys | None = None) -> None:
    """Keep a network among the kept voices, in place of one of the same team, locked where there are
    `keys`. Raises UserError where that cannot be."""
    path = folder / f"{hidden_name(fitted.names)}{_ENDING}"
    try:
        content = sealed(_written(fitted), keys, fitted.names)
        keep(path, path.with_suffix(".part-network"), content)
    except OSError as error:
        raise UserError(f"the network cannot be kept in {folder}: {error.strerror}.") from None


def fitted_for(
    folder: Path, names: Iterable[str], shipped: str, passphrase: str | None = None
) -> FittedNetwork | None:
    """Return the network fitted to the smallest team that has all these names, made of the network with the
    fingerprint `shipped`; None where there is none, or a passphrase other than this locks it. Raises
    UserError where one cannot be read."""
    wanted = {name_key(name) for name in names}
    if not wanted:
        return None
    opening = Opening(passphrase)
    found = [
        fitted
        for path in _paths(folder)
        if (fitted := _opened(path, opening)) is not None
        and fitted.shipped == shipped
        and wanted <= set(map(name_key, fitted.names))
    ]
    return min(found, key=lambda fitted: len(fitted.names), default=None)


def forget_in_fitted(folder: Path, name: str) -> bool:
    """Remove every network that was fitted to this member for good; False where there is none. One that
    cannot be read goes too: nobody can say whose it is. Raises UserError where one cannot be removed."""
    gone = False
    for path in _paths(folder):
        if _is_of(path, name):
            remove(path)
            gone = True
    return gone


def keep_fitted_for_case(case: Path, keys: Keys | None, fitted: FittedNetwork) -> None:
    """Keep a network in a case's folder, locked where the case is. Raises UserError."""
    content = _written(fitted)
    try:
        forget_fitted_of_case(case)
        private_file(case / FITTED, seal_line(keys, content).encode() if keys else content)
        settle(case)
    except OSError as error:
        raise UserError(f"the network cannot be kept in {case}: {error.strerror}.") from None


def fitted_of_case(case: Path, keys: Keys | None) -> FittedNetwork | None:
    """Return the network that lies in a case's folder; None where none does. Raises UserError where it
    cannot be read."""
    path = case / FITTED
    return _read(path, keys) if os.path.lexists(path) else None


def forget_fitted_of_case(case: Path) -> None:
    """Remove a case's network for good, where it has one. Raises UserError."""
    if os.path.lexists(case / FITTED):
        remove(case / FITTED)


def _written(fitted: FittedNetwork) -> bytes:
    head = {name: value for name, value in asdict(fitted).items() if name != "network"}
    return json.dumps(head, ensure_ascii=False).encode() + b"\n" + fitted.network


def _read(path: Path, keys: Keys | None) -> FittedNetwork:
    try:
        content = read_regular(path, _LONGEST)
        if keys:
            content = open_line(keys, content.decode())
        return _parsed(content)
    except (OSError, ValueError, KeyError, TypeError):
        raise UserError(f"{path} cannot be read as a network fitted to a team.") from None


def _opened(path: Path, opening: Opening) -> FittedNetwork | None:
    """Return the network of a file; None where another passphrase locks it. Raises UserError."""
    try:
        content = opening.content(read_regular(path, _LONGEST))
        return None if content is None else _parsed(content)
    except (OSError, ValueError, KeyError, TypeError):
        raise UserError(f"{path} cannot be read as a network fitted to a team.") from None


def _is_of(path: Path, name: str) -> bool:
    """Return whether a network was fitted to a member, or cannot be read."""
    try:
        stored = read_regular(path, _LONGEST)
        lock = lock_of(stored)
        if lock:
            return hidden_name([name]) in lock.of
        return name_key(name) in set(map(name_key, _parsed(stored).names))
    except (OSError, ValueError, KeyError, TypeError):
        return True


def _parsed(content: bytes) -> FittedNetwork:
    """Return a network. Raises ValueError, KeyError or TypeError for what is none."""
    line, _, network = content.partition(b"\n")
    head = json.loads(line)
    before, after, of = (int(head[each]) for each in ("before", "after", "of"))
    names = tuple(str(name) for name in head["names"])
    return FittedNetwork(
        names=names,
        shipped=str(head["shipped"]),
        before=before,
        after=after,
        of=of,
        network=network,
    )


def _paths(folder: Path) -> Iterator[Path]:
    yield from sorted(folder.glob(f"*{_ENDING}"))
    yield from sorted(folder.glob("*.part-network"))
