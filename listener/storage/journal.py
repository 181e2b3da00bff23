"""The case folder and its append-only fact store.

A fact is committed to SQLite (write-ahead log, synchronous FULL) before anybody sees it: whatever was
on the screen survives the process being killed. Folders are 0700 and files 0600, whatever the umask.
Each fact carries the hash of the one before (`listener/storage/hash_chain.py`).
"""

from __future__ import annotations

import re
import sqlite3
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from grammar.case.facts import Fact, fact_from_json, fact_to_json
from grammar.errors import UserError
from listener.storage.database import connect, plain_errors
from listener.storage.hash_chain import canonical, link, origin
from listener.storage.passphrase import LOCK, Keys, new_lock, unlock
from listener.storage.private_files import is_regular, private_file, private_folder, settle
from listener.storage.repair import mend, recover

JOURNAL = "journal.db"
AUDIO = "audio.flac"
PROTOCOL = "protocol.toml"

_LONGEST_NAME = 120

_HIGHEST = 2**52
"""Facts in years of talk are fewer; canonical JSON has no whole numbers beyond twice this."""

F = TypeVar("F", bound=Fact)


class Journal:
    """One case's facts. Safe to use from several threads."""

    def __init__(
        self, folder: Path, database: sqlite3.Connection, version: int, keys: Keys | None = None
    ) -> None:
        self.folder = folder
        self.keys = keys
        """The keys of the case's files; None where it has no passphrase."""
        self.chained = version > 1
        """Whether facts carry hashes: those of schema 1 do not, and get none later."""
        self.missing = ""
        """A sentence on facts that a power cut took, or may have taken; "" where nothing is known
        of that."""
        self._database = database
        self._lock = threading.Lock()
        self._last, self.head = self._end()
        if self._last > _HIGHEST:
            raise UserError(f"{folder} numbers a fact {self._last}: nothing can follow that")

    @classmethod
    def create(
        cls,
        cases: Path,
        protocol: str,
        protocol_text: str,
        *,
        began: datetime,
        passphrase: str | None = None,
    ) -> Journal:
        """Make a new case folder under `cases`, locked where a passphrase is given.

        Raises UserError where it cannot be written.
        """
        stamp = began.strftime("%Y-%m-%d_%H-%M-%S")
        keys = None if passphrase is None else new_lock(passphrase)
        return cls.create_in(cases, folder_name(stamp, protocol), protocol_text, keys)

    @classmethod
    def create_in(cls, cases: Path, name: str, protocol_text: str, keys: Keys | None) -> Journal:
        """Make a new case folder called `name`, numbered where there is one; locked where there are
        keys.

        Raises UserError where it cannot be written.
        """
        try:
            folder = new_folder(cases, name)
            private_file(folder / PROTOCOL, protocol_text.encode())
            if keys is not None:
                private_file(folder / LOCK, keys.lock)
            private_file(folder / JOURNAL, b"")
            database, version = connect(folder / JOURNAL, keys, new=True)
            settle(folder)
            settle(cases)
        except (OSError, sqlite3.Error) as error:
            raise UserError(f"no case can be written in {cases}: {reason(error)}") from None
        return cls(folder, database, version, keys)

    @classmethod
    def open(
        cls, folder: Path, passphrase: str | None = None, *, keys: Keys | None = None
    ) -> Journal:
        """Open an existing case, to add to, by its passphrase or by `keys` made of it. A damaged journal
        is mended first, and kept beside it.

        Raises UserError for a folder that is none, is from a newer version, or has another passphrase.
        """
        path = journal_in(folder)
        keys = keys or unlock(folder, passphrase)
        try:
            found = recover(path, keys)
            if found.damaged:
                mend(path, keys, found)
            database, version = connect(path, keys)
            journal = cls(folder, database, version, keys)
        except (OSError, sqlite3.Error) as error:
            raise UserError(f"{path} cannot be read as a journal: {reason(error)}") from None
        journal.missing = found.missing
        return journal

    def reopened(self) -> Journal:
        """Return the same case on a new connection.

        Raises UserError where it is no case any more, sqlite3.Error where it cannot be opened.
        """
        database, version = connect(journal_in(self.folder), self.keys)
        return Journal(self.folder, database, version, self.keys)

    @property
    def count(self) -> int:
        """Return how many facts are stored."""
        return self._last

    def append_next(self, fact: F) -> F:
        """Store one fact under the next number, and return it with that. For a writer that waits for
        each fact; `FactWriter` numbers what may have to wait."""
        numbered = replace(fact, seq=self._last + 1)
        self.append(numbered)
        return numbered

    def append(self, fact: Fact) -> None:
        """Store one numbered fact. On return it is on disk.

        Raises ValueError where its `seq` does not come after those that are stored: whoever numbers
        facts is the only one who does.
        """
        with self._lock:
            if fact.seq <= self._last:
                raise ValueError(f"fact {fact.seq} cannot follow fact {self._last}")
            if self.chained:
                body = canonical(fact)
                head = link(self.head, body)
                self._insert("fact", seq=fact.seq, before=self.head, hash=head, body=body)
                self.head = head
            else:
                body = fact_to_json(fact)
                self._insert("fact", seq=fact.seq, kind=fact.kind, t=fact.t, body=body)
            self._last = fact.seq

    def facts(self) -> list[Fact]:
        """Return every fact, in order."""
        with self._lock, plain_errors(self.keys):
            found = self._database.execute("SELECT body FROM fact ORDER BY seq").fetchall()
        return [fact_from_json(body) for (body,) in found]

    def settle_log(self) -> None:
        """Bring the database's log into it: of one with a log a copy is read, elsewhere."""
        with self._lock, plain_errors(self.keys):
            self._database.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def seals(self) -> list[str]:
        """Return the seals set so far, each a line of JSON (`listener/storage/seals.py`)."""
        if not self.chained:
            return []
        with self._lock, plain_errors(self.keys):
            found = self._database.execute("SELECT body FROM seal ORDER BY number").fetchall()
        return [body for (body,) in found]

    def add_seal(self, line: str) -> None:
        """Store one more seal."""
        number = len(self.seals()) + 1
        with self._lock:
            self._insert("seal", number=number, body=line)

    def close(self) -> None:
        """Close the store; the write-ahead log is folded into the database."""
        with self._lock:
            self._database.close()

    def _insert(self, table: str, **values: str | float) -> None:
        columns, marks = ", ".join(values), ", ".join("?" * len(values))
        with plain_errors(self.keys), self._database:
            self._database.execute(
                f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(values.values())
            )

    def _end(self) -> tuple[int, str]:
        """Return the last fact's number and hash; before the first, the hash that it must carry."""
        own = "hash" if self.chained else "''"
        with plain_errors(self.keys):
            last = self._database.execute(
                f"SELECT seq, {own} FROM fact ORDER BY seq DESC LIMIT 1"
            ).fetchone()
        if last:
            return int(last[0]), str(last[1])
        protocol = b""
        with suppress(OSError):  # verifying will say that it is missing
            protocol = (self.folder / PROTOCOL).read_bytes()
        return 0, origin(protocol)


def journal_in(folder: Path) -> Path:
    """Return the path of a folder's journal. Raises UserError where there is no ordinary file."""
    path = folder / JOURNAL
    if not is_regular(path):
        raise UserError(f"{folder} is not a case folder: it has no {JOURNAL}")
    return path


def folder_name(stamp: str, protocol: str) -> str:
    """Return the name of a case's folder: a name, never a path, whatever a protocol calls itself."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", f"{stamp}_{protocol}")[:_LONGEST_NAME]


def new_folder(cases: Path, name: str) -> Path:
    """Make a new private folder in `cases`, numbered where there is one of that name. Raises
    OSError."""
    if not cases.is_dir():
        cases.parent.mkdir(parents=True, exist_ok=True)
        private_folder(cases)
    folder = cases / name
    number = 1
    while True:
        try:
            private_folder(folder)
            return folder
        except FileExistsError:
            number += 1
            folder = cases / f"{name}_{number}"


def reason(error: Exception) -> str:
    """Return in words why a journal cannot be read or written."""
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)
