"""The case folder and its append-only fact store.

A fact is committed to SQLite (write-ahead log, synchronous FULL) before anybody sees it: whatever was
on the screen survives the process being killed. Folders are 0700 and files 0600, whatever the umask.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from grammar.errors import UserError
from grammar.facts import Fact, dump, load

SCHEMA_VERSION = 1
APPLICATION_ID = 0x616E7362
"""Marks the file as a case journal (SQLite's application_id)."""

JOURNAL = "journal.db"
AUDIO = "audio.flac"
PROTOCOL = "protocol.toml"

_SCHEMA = """
CREATE TABLE fact (
    seq INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    t REAL NOT NULL,
    body TEXT NOT NULL
) STRICT;
"""

F = TypeVar("F", bound=Fact)


class Journal:
    """One case's facts. Safe to use from several threads; facts get their `seq` here."""

    def __init__(self, folder: Path, database: sqlite3.Connection) -> None:
        self.folder = folder
        self._database = database
        self._lock = threading.Lock()
        last = database.execute("SELECT max(seq) FROM fact").fetchone()[0]
        self._last = int(last or 0)

    @classmethod
    def create(cls, cases: Path, protocol: str, protocol_text: str, began: datetime) -> Journal:
        """A new case folder under `cases`. Raises UserError where it cannot be written."""
        stamp = began.strftime("%Y-%m-%d_%H-%M-%S")
        try:
            folder = _new_folder(cases, f"{stamp}_{protocol}")
            _private_file(folder / PROTOCOL, protocol_text.encode())
            _private_file(folder / JOURNAL, b"")
            database = _connect(folder / JOURNAL)
            with database:
                database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                database.executescript(_SCHEMA)
        except (OSError, sqlite3.Error) as error:
            raise UserError(f"no case can be written in {cases}: {_reason(error)}") from None
        return cls(folder, database)

    @classmethod
    def open(cls, folder: Path) -> Journal:
        """An existing case. Raises UserError for a folder that is none, or is from a newer version."""
        path = folder / JOURNAL
        if not path.is_file():
            raise UserError(f"{folder} is not a case folder: it has no {JOURNAL}")
        try:
            database = _connect(path)
            _check(database, path)
            return cls(folder, database)
        except sqlite3.Error as error:
            raise UserError(f"{path} cannot be read as a journal: {error}") from None

    def append(self, fact: F) -> F:
        """Store one fact. On return it is on disk, and carries its `seq`."""
        with self._lock:
            numbered = replace(fact, seq=self._last + 1)
            with self._database:
                self._database.execute(
                    "INSERT INTO fact (seq, kind, t, body) VALUES (?, ?, ?, ?)",
                    (numbered.seq, numbered.kind, numbered.t, dump(numbered)),
                )
            self._last = numbered.seq
            return numbered

    def facts(self) -> list[Fact]:
        """Every fact, in order."""
        with self._lock:
            rows = self._database.execute("SELECT body FROM fact ORDER BY seq").fetchall()
        return [load(body) for (body,) in rows]

    def close(self) -> None:
        """Close the store; the write-ahead log is folded into the database."""
        with self._lock:
            self._database.close()


def stored_facts(folder: Path) -> list[Fact]:
    """Every fact of a case, in order, its folder left as it is byte for byte.

    Raises UserError for a folder that is no case, is from a newer version, or cannot be read.
    """
    path = folder / JOURNAL
    if not path.is_file():
        raise UserError(f"{folder} is not a case folder: it has no {JOURNAL}")
    try:
        with _untouched(path) as database:
            _check(database, path)
            rows = database.execute("SELECT body FROM fact ORDER BY seq").fetchall()
        return [load(body) for (body,) in rows]
    except (OSError, sqlite3.Error) as error:
        raise UserError(f"{path} cannot be read as a journal: {_reason(error)}") from None
    except ValueError as error:
        first = str(error).splitlines()[0]
        raise UserError(f"{path} holds a fact that cannot be read: {first}") from None


@contextmanager
def _untouched(path: Path) -> Iterator[sqlite3.Connection]:
    """The database to read. SQLite writes beside a file that has a log: then a copy is read."""
    log = path.with_name(f"{path.name}-wal")
    with TemporaryDirectory(prefix="answerback-") as place:
        if log.is_file() and log.stat().st_size:
            copy = Path(place) / path.name
            shutil.copyfile(path, copy)
            shutil.copyfile(log, copy.with_name(log.name))
            name = copy.as_uri()
        else:
            name = f"{path.absolute().as_uri()}?immutable=1"
        with closing(sqlite3.connect(name, uri=True)) as database:
            yield database


def _check(database: sqlite3.Connection, path: Path) -> None:
    """Raises UserError where it is no journal, or a newer one."""
    marked = database.execute("PRAGMA application_id").fetchone()[0]
    version = database.execute("PRAGMA user_version").fetchone()[0]
    if marked != APPLICATION_ID:
        raise UserError(f"{path} is not a journal of answerback")
    if version > SCHEMA_VERSION:
        raise UserError(
            f"{path} was written by a newer answerback (schema {version}): upgrade to open it"
        )


def _connect(path: Path) -> sqlite3.Connection:
    # The connection is shared under our own lock, so SQLite's check for one thread is not needed.
    database = sqlite3.connect(path, check_same_thread=False, timeout=10)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    return database


def _new_folder(cases: Path, name: str) -> Path:
    if not cases.is_dir():
        cases.mkdir(parents=True, mode=0o700)
    folder = cases / name
    number = 1
    while True:
        try:
            folder.mkdir(mode=0o700)
            break
        except FileExistsError:
            number += 1
            folder = cases / f"{name}_{number}"
    folder.chmod(0o700)
    return folder


def _private_file(path: Path, content: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(content)


def _reason(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)
