"""The facts of a large case as a sequence that is read from its journal whenever it is gone through.

A million facts held at once would take a gigabyte. Its chain was checked before; no more facts are given
than were checked, whatever has joined since.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import overload

from grammar.case.facts import Fact, fact_from_json
from grammar.errors import UserError
from listener.storage.database import bodies, bodies_of_kinds, untouched, version_of
from listener.storage.fact_reader import Progress
from listener.storage.journal import journal_in, reason
from listener.storage.passphrase import Keys

STEP = 2_000
"""Facts between two words of progress."""

HELD = 50_000
"""Facts up to which a case is held in memory."""


class FactsOnDisk(Sequence[Fact]):
    """All facts of one journal. Each way through them reads it anew; raises UserError where it cannot."""

    def __init__(self, folder: Path, keys: Keys | None, count: int) -> None:
        self._path, self._keys, self._count = journal_in(folder), keys, count
        self.progress: Progress | None = None
        """Told now and then how many of all were given, where somebody waits."""
        self._rare: list[Fact] | None = None
        """All facts but those heard, once they were asked for and where they are few."""
        self._many = False
        """They are not."""

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Fact]:
        for at, body in enumerate(self._bodies()):
            if self.progress and at % STEP == 0:
                self.progress(at, self._count)
            yield fact_from_json(body)

    def of_kinds(self, *kinds: str) -> list[Fact]:
        """Return the facts of these kinds alone; the others are not read beyond their kind."""
        if "heard" not in kinds and self._few():
            return [fact for fact in self._rare or () if fact.kind in kinds]
        with self._database() as database:
            found = bodies_of_kinds(database, kinds, self._count)
            return [fact for fact in map(fact_from_json, found) if fact.kind in kinds]

    def _few(self) -> bool:
        """Return whether few facts are others than heard; they are held then, since all ask for them."""
        if self._rare is None:
            with self._database() as database:
                found = bodies_of_kinds(database, ["heard"], self._count, others=True)
                self._rare = [fact_from_json(body) for body in islice(found, HELD + 1)]
            if len(self._rare) > HELD:
                self._rare = []
                self._many = True
        return not self._many

    @overload
    def __getitem__(self, at: int) -> Fact: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Fact]: ...
    def __getitem__(self, at: int | slice) -> Fact | Sequence[Fact]:
        if isinstance(at, slice):
            start, stop, step = at.indices(self._count)
            if step < 0:
                raise ValueError("facts on a disk are gone through forwards")
            return tuple(islice(self, start, stop, step))
        place = at + self._count if at < 0 else at
        found = next(islice(self, max(place, 0), None), None)
        if found is None or place < 0:
            raise IndexError(at)
        return found

    def _bodies(self) -> Iterator[bytes]:
        with self._database() as database:
            yield from bodies(database, self._count)

    @contextmanager
    def _database(self) -> Iterator[sqlite3.Connection]:
        try:
            with untouched(self._path, self._keys) as database:
                version_of(database, self._path)
                yield database
        except (OSError, sqlite3.Error) as error:
            raise UserError(f"{self._path} cannot be read as a journal: {reason(error)}") from None


def of_kinds(facts: Sequence[Fact], *kinds: str) -> list[Fact]:
    """Return those of the facts that are of these kinds, as `Fact.kind` has them."""
    if isinstance(facts, FactsOnDisk):
        return facts.of_kinds(*kinds)
    return [fact for fact in facts if fact.kind in kinds]
