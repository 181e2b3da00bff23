"""The journal's SQLite database and the version of its schema.

Every commit is on the disk before it returns; reading leaves no trace. A case of an older schema is read as
it is. Opened to be written, it gets the newest number and nothing else changes; one of schema 1, which has
no hashes, stays as it is.

A locked case's database is SQLCipher's, which speaks the same language; its errors are told as sqlite3's.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import cast

from grammar.errors import UserError
from grammar.replacing import quick
from listener.storage.hash_chain import Row
from listener.storage.passphrase import Keys
from listener.storage.private_files import copy_data, is_regular

SCHEMA_VERSION = 6
"""1 had no chain (columns seq, kind, t, body), 3 no fact `heard-out`, 4 no `second-hearing`, 5 no
`voice-matched`, `voice-agreed` and `weight-set`. Raise it for any fact or column that older ones lack."""

CHAINED = 2
"""The first schema whose facts carry hashes; later ones have the same columns."""

SEALS = "seals.jsonl"
"""Beside the database, a copy of its table of seals."""

APPLICATION_ID = 0x616E7362
"""Marks the file as a case journal (SQLite's application_id)."""

_row = quick(Row)

_LONGEST = 2**26
"""Most bytes of a fact, far more than one ever has."""

_SCHEMA = """
CREATE TABLE fact (
    seq INTEGER PRIMARY KEY,
    before TEXT NOT NULL,
    hash TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE seal (
    number INTEGER PRIMARY KEY,
    body TEXT NOT NULL
) STRICT;
"""


def connect(path: Path, keys: Keys | None, *, new: bool = False) -> tuple[sqlite3.Connection, int]:
    """Return a database to write, and its schema's version. A commit returns when it is on the
    disk.

    Raises sqlite3.Error; UserError where it is no journal, or a newer one.
    """
    # The connection is shared under the journal's own lock, so SQLite's check for one thread is not needed.
    with plain_errors(keys):
        database = _open(str(path), keys, check_same_thread=False, timeout=10)
        try:
            version = SCHEMA_VERSION if new else version_of(database, path)
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("PRAGMA synchronous = FULL")
            if CHAINED <= version < SCHEMA_VERSION:
                # What is added may be read by this version only.
                database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            if new:
                with database:
                    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                    database.executescript(_SCHEMA)
                # The database alone then says what it is, should its log ever be lost.
                database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except Exception:
            database.close()
            raise
    return database, version


@contextmanager
def untouched(path: Path, keys: Keys | None) -> Iterator[sqlite3.Connection]:
    """Give the database to read. SQLite writes beside a file that has a log: then a copy is read.

    Raises sqlite3.Error, OSError.
    """
    log = log_of(path)
    with ExitStack() as stack:
        if is_regular(log) and log.stat().st_size:
            place = stack.enter_context(TemporaryDirectory(prefix="answerback-"))
            copy = Path(place) / path.name
            copy_data(path, copy)
            copy_data(log, log_of(copy))
            name = copy.as_uri()
        else:
            name = f"{path.absolute().as_uri()}?immutable=1"
        stack.enter_context(plain_errors(keys))
        yield stack.enter_context(closing(_open(name, keys, uri=True)))


def log_of(path: Path) -> Path:
    """Return the write-ahead log of a database."""
    return path.with_name(f"{path.name}-wal")


def version_of(database: sqlite3.Connection, path: Path) -> int:
    """Return the schema's version. Raises UserError where it is no journal, or a newer one."""
    marked = database.execute("PRAGMA application_id").fetchone()[0]
    version = int(database.execute("PRAGMA user_version").fetchone()[0])
    if marked != APPLICATION_ID:
        raise UserError(f"{path} is not a journal of answerback")
    if version > SCHEMA_VERSION:
        raise UserError(
            f"{path} was written by a newer answerback (schema {version}): upgrade to open it"
        )
    return version


_ROW = (
    "SELECT seq, CAST(before AS BLOB), CAST(hash AS BLOB), CAST(body AS BLOB),"
    " typeof(before) || typeof(hash) || typeof(body) = 'texttexttext' FROM fact "
)
_ROW_1 = "SELECT seq, x'', x'', CAST(body AS BLOB), typeof(body) = 'text' FROM fact "


def row(database: sqlite3.Connection, seq: int) -> Row | None:
    """Return one stored fact of a chained journal. Raises sqlite3.Error."""
    found = database.execute(f"{_ROW} WHERE seq = ?", (seq,)).fetchone()
    return None if found is None else _as_row(found)


def rows(database: sqlite3.Connection, version: int) -> Iterator[Row]:
    """Yield the stored facts in the order of their numbers. Raises sqlite3.Error."""
    select = _ROW if version > 1 else _ROW_1
    yield from map(_as_row, database.execute(f"{select} ORDER BY seq"))


def bodies(database: sqlite3.Connection, most: int) -> Iterator[bytes]:
    """Yield what the first `most` facts hold, in the order of their numbers. Raises sqlite3.Error."""
    select = "SELECT CAST(body AS BLOB) FROM fact ORDER BY seq LIMIT ?"
    yield from (body or b"" for (body,) in database.execute(select, (most,)))


def bodies_of_kinds(
    database: sqlite3.Connection, kinds: Iterable[str], most: int, *, others: bool = False
) -> Iterator[bytes]:
    """Yield what the facts of these kinds hold, or all `others`, in the order of their numbers, of the
    first `most` facts.

    In canonical JSON no text holds an unescaped quote, so that the kind is found without reading the rest;
    a marked text that stands elsewhere is left to who reads the fact. Raises sqlite3.Error.
    """
    marks = [f'"kind":"{kind}"'.encode() for kind in kinds]
    wanted = " OR ".join(["instr(body, ?)"] * len(marks))
    wanted = f"NOT ({wanted})" if others else wanted
    first = "SELECT CAST(body AS BLOB) AS body FROM fact ORDER BY seq LIMIT ?"
    yield from (
        body
        for (body,) in database.execute(
            f"SELECT body FROM ({first}) WHERE {wanted}", (most, *marks)
        )
    )


def seal_lines(database: sqlite3.Connection) -> list[str]:
    """Return the seals of a chained journal, in order. Raises sqlite3.Error."""
    found = database.execute("SELECT body FROM seal ORDER BY number")
    return [str(body) for (body,) in found]


def _as_row(found: tuple[int, bytes | None, bytes | None, bytes | None, int]) -> Row:
    seq, before, own, body, texts = found
    return _row(seq=seq, before=before or b"", hash=own or b"", body=body or b"", texts=bool(texts))


def page_size(path: Path) -> int:
    """Return the page size of a plain database by its header; SQLite's usual one where that is
    damaged. Raises OSError."""
    with path.open("rb") as file:
        head = file.read(18)
    size = int.from_bytes(head[16:18], "big") if head.startswith(b"SQLite format 3\0") else 0
    return size if size in (512, 1024, 2048, 4096, 8192, 16384, 32768) else 4096


@contextmanager
def plain_errors(keys: Keys | None) -> Iterator[None]:
    """Tell SQLCipher's errors as sqlite3's, so that a caller need not know which it is."""
    other = sqlite3.Error if keys is None else cast("type[Exception]", _cipher().Error)
    try:
        yield
    except sqlite3.Error:
        raise
    except other as error:
        raise sqlite3.OperationalError(str(error)) from error
    except MemoryError as error:  # a length in a damaged file
        raise sqlite3.DatabaseError("a length in it is beyond all memory") from error
    except UnicodeDecodeError as error:  # a name in a damaged file
        raise sqlite3.DatabaseError("a name in it is no text") from error


def _open(
    name: str,
    keys: Keys | None,
    *,
    check_same_thread: bool = True,
    timeout: float = 5,
    uri: bool = False,
) -> sqlite3.Connection:
    if keys is None:
        plain = sqlite3.connect(name, check_same_thread=check_same_thread, timeout=timeout, uri=uri)
        plain.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST)  # a damaged file may name any length
        return plain
    database = cast(
        "sqlite3.Connection",
        _cipher().connect(name, check_same_thread=check_same_thread, timeout=timeout, uri=uri),
    )
    # A raw key: scrypt has done what SQLCipher would do to a passphrase.
    database.execute(f"PRAGMA key = \"x'{keys.journal.hex()}'\"")
    return database


def _cipher() -> ModuleType:
    from sqlcipher3 import dbapi2  # noqa: PLC0415  (only a locked case needs it)

    return cast("ModuleType", dbapi2)
