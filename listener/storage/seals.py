"""Seals: what a case held at a moment, so that a later change shows; signed where a key is given.

`seals_format.py` has the form. The same line stands in the journal and in `seals.jsonl` beside it.

The chain alone can be computed anew by whoever may write the whole folder: then the hash that was printed
at the end, or the signature, tells.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path

from pydantic import ValidationError

from grammar.errors import UserError
from listener.storage.database import SEALS, rows, untouched, version_of
from listener.storage.hash_chain import Row, first_misfit, origin
from listener.storage.journal import AUDIO, JOURNAL, PROTOCOL, Journal
from listener.storage.passphrase import unlock
from listener.storage.private_files import add_line, data_size, is_regular, lines_of, read_regular
from listener.storage.seals_format import Seal, Sealed
from listener.storage.signing import SigningKey


def seal(journal: Journal, wall: str, key: SigningKey | None = None) -> Seal:
    """Seal what a case holds now; signed where a key is given.

    Raises UserError for a case of schema 1, or where it cannot be written.
    """
    if not journal.chained:
        raise UserError(
            f"{journal.folder} was written by an older answerback and has no chain to seal"
        )
    sounds = {path.name: _digest(path) for path in sound_files(journal.folder)}
    found = Seal(facts=journal.count, head=journal.head, sounds=sounds, wall=wall)
    sealed = Sealed(seal=found)
    if key is not None:
        sealed = Sealed(seal=found, key=key.public, signature=key.sign(found.canonical))
    path = journal.folder / SEALS
    try:
        journal.add_seal(sealed.line)
        # The file is brought up to the journal: one that was cut off between the two is mended.
        for line in journal.seals()[len(lines_of(path)) :]:
            add_line(path, line)
    except (OSError, sqlite3.Error) as error:
        raise UserError(f"{path} cannot be written: {error}") from None
    return found


def sound_files(folder: Path) -> list[Path]:
    """Return the files of sound in a case folder, by name."""
    stem = AUDIO.partition(".")[0]
    return sorted(path for path in folder.glob(f"{stem}*") if path.is_file() or path.is_symlink())


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome of verifying a case."""

    facts: int
    head: str
    """The last fact's hash; "" where there is none."""
    seals: tuple[Sealed, ...]
    misfit: str = ""
    """One sentence on the first thing that does not fit; "" where the case is whole."""

    @property
    def unsealed(self) -> int:
        """How many facts were stored after the last seal."""
        return self.facts - (self.seals[-1].seal.facts if self.seals else 0)


def verify(
    folder: Path, passphrase: str | None = None, *, key: str | None = None, head: str | None = None
) -> Verdict:
    """Return whether a case is as it was stored. Its folder is left as it is.

    Where `key` (a public key, hexadecimal) is given, the last seal must be signed by it and leave no
    fact out; where `head` is, the last fact's hash must be that. Raises UserError where there is no case.
    """
    path = folder / JOURNAL
    if not is_regular(path):
        raise UserError(f"{folder} is not a case folder: it has no {JOURNAL}")
    keys = unlock(folder, passphrase)
    try:
        with untouched(path, keys) as database:
            version = version_of(database, path)
            if version < 2:
                return Verdict(
                    0, "", (), f"{folder} was written by an older answerback: it is not chained"
                )
            stored = list(rows(database, version))
            lines = [
                str(body) for (body,) in database.execute("SELECT body FROM seal ORDER BY number")
            ]
            broken = [str(one) for (one,) in database.execute("PRAGMA integrity_check(1)")]
    except (OSError, sqlite3.Error) as error:
        raise UserError(f"{path} cannot be read as a journal: {error}") from None
    own = stored[-1].hash.decode(errors="replace") if stored else ""
    seals: list[Sealed] = []
    with suppress(ValidationError):
        seals = [Sealed.model_validate_json(line) for line in lines]
    problems = _problems(folder, stored, lines, seals=seals, key=key, head=head)
    misfit = next(problems, "")
    if not misfit and broken != ["ok"]:
        misfit = f"{path} is damaged: {broken[0]}"
    return Verdict(len(stored), own, tuple(seals), misfit)


def _problems(
    folder: Path,
    stored: Sequence[Row],
    lines: Sequence[str],
    *,
    seals: Sequence[Sealed],
    key: str | None,
    head: str | None,
) -> Iterator[str]:
    """Yield a sentence on each thing that does not fit, the facts first."""
    try:
        protocol = read_regular(folder / PROTOCOL)
    except OSError:
        yield f"{PROTOCOL} is missing"
        return
    found = first_misfit(stored, origin(protocol))
    if found:
        yield str(found)
        return
    if lines != lines_of(folder / SEALS):
        yield f"{SEALS} and the journal do not hold the same seals"
    if len(seals) != len(lines) or [one.line for one in seals] != list(lines):
        yield "a seal cannot be read"
        return
    for number, one in enumerate(seals, start=1):
        if one.seal.facts > len(stored):
            yield f"fact {len(stored) + 1} is missing: seal {number} counts {one.seal.facts}"
        elif one.seal.facts and one.seal.head != stored[one.seal.facts - 1].hash.decode():
            yield f"fact {one.seal.facts} is not the one that seal {number} names"
        if (one.key or one.signature) and not one.signed:
            yield f"the signature of seal {number} does not fit"
    if seals:
        yield from _sounds(folder, stored, seals[-1].seal)
    if head is not None and (not stored or stored[-1].hash.decode() != head):
        yield "the check code is not the one that was given"
    if key is not None:
        last = seals[-1] if seals else None
        if last is None or last.key != key:
            yield "the last seal is not signed with this key"
        elif last.seal.facts < len(stored):
            yield f"fact {last.seal.facts + 1} came after the signed seal"


def _sounds(folder: Path, stored: Sequence[Row], sealed: Seal) -> Iterator[str]:
    purged = any(json.loads(row.body).get("kind") == "purged" for row in stored[sealed.facts :])
    for name, digest in sorted(sealed.sounds.items()):
        path = folder / Path(name).name
        if not is_regular(path):
            if not purged:
                yield f"{name} was sealed and is missing"
        elif not _is_sound(path, digest):
            yield f"{name} is not the sound that was sealed"


def _is_sound(path: Path, digest: str) -> bool:
    try:
        return _digest(path) == digest
    except UserError:
        return False


def _digest(path: Path) -> str:
    """Return the SHA-256 of a file of sound. Raises UserError for one that would take for ever."""
    if not is_regular(path):
        raise UserError(f"{path} is no ordinary file, and no sound")
    if data_size(path) < path.stat().st_size // 2:
        raise UserError(f"{path} consists mostly of holes, and is no sound")
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()
