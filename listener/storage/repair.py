"""Reads a journal after a power cut as far as it goes, and says which facts are missing.

A damaged journal is never written to: what can be read is put into a new one beside it, and the damaged
files are kept under another name.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from grammar.case.facts import fact_from_json
from grammar.errors import UserError
from listener.storage.database import (
    CHAINED,
    SEALS,
    connect,
    log_of,
    page_size,
    plain_errors,
    row,
    rows,
    seal_lines,
    untouched,
    version_of,
)
from listener.storage.hash_chain import Row, fits
from listener.storage.passphrase import Keys
from listener.storage.private_files import data_size, is_regular, lines_of, private_file
from listener.storage.sqlite_pages import scanned

DAMAGED = ".damaged"


@dataclass(frozen=True, slots=True)
class Recovered:
    """The rows of a journal that can be read."""

    rows: tuple[Row, ...]
    version: int
    damaged: bool = False
    """Whether SQLite cannot read it whole."""
    missing: str = ""
    """One sentence on what is missing, or may be; "" where nothing is."""


def recover(path: Path, keys: Keys | None) -> Recovered:
    """Read a journal, damaged or not, and leave it as it is.

    Raises UserError where it is no journal, or a newer one; OSError.
    """
    try:
        if not path.stat().st_size:
            raise sqlite3.DatabaseError("it is empty")
        with untouched(path, keys) as database:
            version = version_of(database, path)
            found = tuple(rows(database, version))
            if version >= CHAINED:
                seal_lines(database)
        if not all(map(_readable, found)):
            # SQLite takes what a torn page lacks for zeros, and does not complain.
            raise sqlite3.DatabaseError("a fact is torn")
    except sqlite3.Error as error:
        return salvaged(path, keys, str(error))
    numbers = Numbers()
    for one in found:
        numbers.add(one)
    return Recovered(found, version, missing=missing_in(path, numbers))


def mend(path: Path, keys: Keys | None, found: Recovered) -> None:
    """Put what was recovered in place of a damaged journal, and that under another name.

    Raises UserError for a journal without a chain, OSError, sqlite3.Error.
    """
    if found.version < CHAINED:
        raise UserError(
            f"{path} is damaged and from an older answerback: it can be read, not added to"
        )
    new = path.with_name(f"{path.name}.new")
    for left in (new, log_of(new)):
        left.unlink(missing_ok=True)  # of a mending that was itself cut off
    private_file(new, b"")
    database, _ = connect(new, keys, new=True)
    with closing(database), plain_errors(keys), database:
        database.executemany(
            "INSERT INTO seal (body) VALUES (?)",
            [(line,) for line in lines_of(path.with_name(SEALS))],
        )
        database.executemany(
            "INSERT INTO fact (seq, before, hash, body) VALUES (?, ?, ?, ?)",
            [
                (one.seq, one.before.decode(), one.hash.decode(), one.body.decode())
                for one in found.rows
            ],
        )
    number = 1
    while path.with_name(f"{path.name}{DAMAGED}-{number}").exists():
        number += 1
    for old in (log_of(path), path.with_name(f"{path.name}-shm"), path):
        with suppress(FileNotFoundError):
            old.rename(old.with_name(f"{old.name}{DAMAGED}-{number}"))
    new.rename(path)


def _readable(one: Row) -> bool:
    """Return whether a row is a fact; not whether it is the one that was stored, which `verify`
    finds."""
    if one.texts and fits(one):
        return True
    try:
        return fact_from_json(one.body).seq == one.seq
    except ValueError:
        return False


def salvaged(path: Path, keys: Keys | None, why: str) -> Recovered:
    """Return what can be read of a journal that SQLite gives up, `why` in its words.

    Raises UserError where it is no journal, OSError.
    """
    single = _scan(path) if keys is None else _one_by_one(path, keys)
    found = tuple(single[seq] for seq in sorted(single))
    if not found and path.stat().st_size and not _begins_as_one(path):
        raise UserError(f"{path} cannot be read as a journal: {why}")
    version = 1 if found and not found[0].hash else CHAINED
    told = f"{path} is damaged ({why}): "
    told += f"{len(found)} facts could be read, " if found else "no fact could be read"
    if found:
        told += holes_in(found) or f"what came after fact {found[-1].seq} may be missing"
    return Recovered(found, version, damaged=True, missing=told)


def _scan(path: Path) -> dict[int, Row]:
    """Return rows found page by page; each proves by its hash that it is one, or by its number in
    schema 1."""
    found: dict[int, Row] = {}
    for seq, values in scanned(path, log_of(path), page_size(path)):
        match values:
            case [None, bytes(before), bytes(own), bytes(body)]:
                if fits(one := Row(seq, before, own, body)):
                    found[seq] = one
            case [None, bytes(), _, bytes(body)] if seq not in found:
                with suppress(ValueError):
                    if fact_from_json(body).seq == seq:
                        found[seq] = Row(seq, b"", b"", body)
            case _:
                pass
    return found


def _one_by_one(path: Path, keys: Keys) -> dict[int, Row]:
    """Return rows that can still be reached; a locked file cannot be read past the tree."""
    found: dict[int, Row] = {}
    with suppress(sqlite3.Error), untouched(path, keys) as database:
        for seq in range(1, data_size(path) // 64):
            with suppress(sqlite3.Error), plain_errors(keys):
                one = row(database, seq)
                if one and fits(one):
                    found[seq] = one
    return found


class Numbers:
    """Which numbers of facts there are, as rows come in their order."""

    def __init__(self) -> None:
        self.count = 0
        self.last = 0
        self.closed = False
        """Whether one of them ends the case."""
        self._first_gone = 0
        self._positive = 0

    def add(self, row: Row) -> None:
        """Count one more row."""
        self.count += 1
        if row.seq > 0:
            self._positive += 1
            if not self._first_gone and row.seq != self._positive:
                self._first_gone = self._positive
        self.last = row.seq
        self.closed = self.closed or _CLOSING in row.body

    def holes(self) -> str:
        """Return which facts are missing between the others, as a clause."""
        gone = self.last - self._positive  # a number may be as great as someone liked to write
        if gone <= 0:
            return ""
        if gone > 1:
            return f"fact {self._first_gone} and {gone - 1} others are missing"
        return f"fact {self._first_gone} is missing"


def holes_in(found: Sequence[Row]) -> str:
    """Return which facts are missing between the others, as a clause."""
    numbers = Numbers()
    for one in found:
        numbers.add(one)
    return numbers.holes()


def missing_in(path: Path, numbers: Numbers) -> str:
    """Return one sentence on the facts that a journal lacks, or may lack; "" where nothing is known."""
    holes = numbers.holes()
    if holes:
        return f"{path}: {holes}"
    log, last = log_of(path), numbers.last
    size = log.stat().st_size if is_regular(log) else 0
    later = f"what came after fact {last} may be missing" if last else "its facts may be missing"
    if size and size != 32 and (size - 32) % (page_size(path) + 24):
        return f"{path}: its write-ahead log is torn, {later}"
    if not size and not numbers.closed:
        return f"{path}: the case has no end and its write-ahead log is gone, {later}"
    return ""


_CLOSING = b'"kind":"case-ended"'


def _begins_as_one(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(15) == b"SQLite format 3"
