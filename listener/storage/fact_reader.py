"""The facts of a stored case, read in the order of their numbers and held to their chain on the way.

`opened` goes through a journal once to check it, and then gives its facts one by one, so that a case of
a million facts need not be held. It says of an altered one that it is; `case_reader.open_case` refuses it.
Nothing here changes a case folder.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from grammar.case.facts import Fact, fact_from_json
from grammar.errors import UserError
from listener.storage.database import CHAINED, SEALS, rows, seal_lines, untouched, version_of
from listener.storage.hash_chain import ChainCheck, Row, fits, origin
from listener.storage.integrity import UNCHAINED, Integrity, judge, sealed_counts
from listener.storage.journal import PROTOCOL, journal_in, reason
from listener.storage.passphrase import Keys, unlock
from listener.storage.private_files import lines_of, read_regular
from listener.storage.repair import DAMAGED, Numbers, missing_in, salvaged

Progress = Callable[[int, int], None]
"""Told how many facts of how many were read, now and then."""

_FIRST = 5
"""Facts whose chain tells one case from all others: they hold when it began and what was said first."""

_STEP = 2_000
"""Facts between two words of progress."""


@dataclass(frozen=True, slots=True)
class StoredFacts:
    """The facts of a journal, as far as they can be read."""

    facts: list[Fact]
    missing: str
    """One sentence on facts that are missing, or may be; "" where nothing is known of that."""
    damaged: bool
    head: str = ""
    """The last fact's hash; "" where facts carry none."""
    integrity: Integrity = UNCHAINED
    identity: str = ""
    """Of a chained case: the same in every copy of it, whatever was added or sealed later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A journal that was gone through once; `facts()` gives what it holds."""

    path: Path
    count: int
    missing: str
    damaged: bool
    head: str
    integrity: Integrity
    identity: str
    source: Callable[[], Iterable[Row]]
    progress: Progress | None

    def facts(self) -> Iterator[Fact]:
        """Give each fact in the order of their numbers. Raises UserError for one that is none."""
        try:
            for at, row in enumerate(self.source()):
                if self.progress and at % _STEP == 0:
                    self.progress(self.count + at, 2 * self.count)
                yield fact_from_json(row.body)
        except sqlite3.Error as error:
            raise UserError(f"{self.path} cannot be read as a journal: {reason(error)}") from None
        except ValueError as error:
            first = str(error).splitlines()[0]
            raise UserError(f"{self.path} holds a fact that cannot be read: {first}") from None


def stored_facts(
    folder: Path, keys: Keys | None = None, progress: Progress | None = None
) -> StoredFacts:
    """Return every fact of a case, in order; its folder is left as it is byte for byte.

    Raises UserError for a folder that is no case, is from a newer version, is locked and comes without
    keys, or cannot be read. One that was altered is read: the result says so.
    """
    with opened(folder, keys, progress) as found:
        facts = list(found.facts())
        return StoredFacts(
            facts=facts,
            missing=found.missing,
            damaged=found.damaged,
            head=found.head,
            integrity=found.integrity,
            identity=found.identity,
        )


@contextmanager
def opened(
    folder: Path, keys: Keys | None = None, progress: Progress | None = None
) -> Iterator[Reading]:
    """Open a case's journal and check it. Raises UserError as `stored_facts`."""
    path = journal_in(folder)
    keys = keys or unlock(folder, None)
    try:
        try:
            if not path.stat().st_size:
                raise sqlite3.DatabaseError("it is empty")
            with untouched(path, keys) as database:
                found = _checked(path, database, progress)
                yield found
                return
        except sqlite3.Error as error:
            found = _torn(path, keys, str(error), progress)
        yield found
    except (OSError, sqlite3.Error) as error:
        raise UserError(f"{path} cannot be read as a journal: {reason(error)}") from None


def _checked(path: Path, database: sqlite3.Connection, progress: Progress | None) -> Reading:
    """Go through all rows of a database. Raises sqlite3.Error where it is torn."""
    version = version_of(database, path)
    seals = seal_lines(database) if version >= CHAINED else []
    counts, heads, numbers = sealed_counts(seals), {}, Numbers()
    total = database.execute("SELECT count(*) FROM fact").fetchone()[0] if progress else 0
    check, identity = ChainCheck(_origin(path), gaps=_mended(path)), b""
    for at, row in enumerate(rows(database, version)):
        if progress and at % _STEP == 0:
            progress(at, 2 * total)
        if not (row.texts and fits(row)) and not _is_fact(row):
            # SQLite takes what a torn page lacks for zeros, and does not complain.
            raise sqlite3.DatabaseError("a fact is torn")
        check.add(row)
        numbers.add(row)
        identity = row.hash if numbers.count <= _FIRST else identity
        if row.seq in counts:
            heads[row.seq] = row.hash.decode(errors="replace")
    missing = missing_in(path, numbers)
    integrity = (
        judge(
            numbers.count,
            misfit=str(check.misfit or ""),
            seals=seals,
            copy=lines_of(path.with_name(SEALS)),
            heads=heads,
            torn=numbers.holes() if _mended(path) else "",
        )
        if version >= CHAINED
        else UNCHAINED
    )
    head = check.head.decode("ascii", "replace") if version >= CHAINED else ""
    return Reading(
        path=path,
        count=numbers.count,
        missing=missing,
        damaged=False,
        head=head,
        integrity=integrity,
        identity=identity.decode("ascii", "replace"),
        source=lambda: rows(database, version),
        progress=progress,
    )


def _torn(path: Path, keys: Keys | None, why: str, progress: Progress | None) -> Reading:
    """Read what is left of a damaged journal."""
    found = salvaged(path, keys, why)
    check = ChainCheck(_origin(path), gaps=True)
    for row in found.rows:
        check.add(row)
    integrity = (
        judge(
            len(found.rows),
            misfit=str(check.misfit or ""),
            seals=(),
            copy=(),
            heads={},
            torn="the journal is torn",
        )
        if found.version >= CHAINED
        else UNCHAINED
    )
    head = found.rows[-1].hash.decode("ascii", "replace") if found.rows else ""
    return Reading(
        path=path,
        count=len(found.rows),
        missing=found.missing,
        damaged=True,
        head=head,
        integrity=integrity,
        identity="",
        source=lambda: found.rows,
        progress=progress,
    )


def _is_fact(row: Row) -> bool:
    try:
        return fact_from_json(row.body).seq == row.seq
    except ValueError:
        return False


def _mended(path: Path) -> bool:
    """Return whether a journal took the place of one that a power cut had torn, which is kept."""
    return path.with_name(f"{path.name}{DAMAGED}-1").is_file()


def _origin(path: Path) -> str:
    try:
        return origin(read_regular(path.with_name(PROTOCOL)))
    except OSError:
        return ""
