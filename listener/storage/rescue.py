"""Writes a case elsewhere, as a whole folder of facts, where its own disk did not take all by the
end.

It is a case like any other, without sound. Once the disk is back, resuming the case takes in what it lacks.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from grammar.case.facts import CaseEnded, Fact
from grammar.errors import UserError
from listener.storage.database import SEALS
from listener.storage.fact_reader import stored_facts
from listener.storage.journal import JOURNAL, PROTOCOL, Journal
from listener.storage.passphrase import LOCK
from listener.storage.seals import seal
from listener.storage.signing import SigningKey


def rescue(
    place: Path,
    journal: Journal,
    *,
    protocol_text: str,
    facts: Sequence[Fact],
    wall: str,
    key: SigningKey | None = None,
) -> tuple[Path, str]:
    """Write all facts of a case to a private folder in `place`, locked as the case is, and seal them.

    Returns the folder and the last hash. Raises UserError where that cannot be written either.
    """
    kept = Journal.create_in(place, journal.folder.name, protocol_text, journal.keys)
    try:
        for fact in facts:
            kept.append(fact)
        return kept.folder, seal(kept, wall, key).head
    finally:
        kept.close()


def take_in(case: Path, passphrase: str | None, place: Path, wall: str) -> int:
    """Store in a case the facts that were rescued of it in `place`; the rescued folder is then
    removed.

    Returns how many facts that were. Raises UserError where the case cannot be opened or written.
    """
    found = [one for one in _rescued(case, place) if (one / JOURNAL).is_file()]
    if not found:
        return 0
    journal = Journal.open(case, passphrase)
    try:
        return sum(_taken(journal, folder, wall) for folder in found)
    finally:
        journal.close()


def _rescued(case: Path, place: Path) -> list[Path]:
    name = case.resolve().name
    try:
        return sorted(one for one in place.iterdir() if f"{one.name}_".startswith(f"{name}_"))
    except OSError:
        return []


def _taken(journal: Journal, folder: Path, wall: str) -> int:
    known = journal.facts()
    try:
        rescued = stored_facts(folder, journal.keys).facts
        same = (folder / PROTOCOL).read_bytes() == (journal.folder / PROTOCOL).read_bytes()
    except (OSError, UserError):
        return 0
    if not same or rescued[: len(known)] != known:
        return 0  # of another case, or this one went on meanwhile
    for fact in rescued[len(known) :]:
        journal.append(fact)
    if rescued and isinstance(rescued[-1], CaseEnded):
        seal(journal, wall)
    with suppress(OSError):  # what is left there is not taken in twice
        for name in (JOURNAL, PROTOCOL, SEALS, LOCK):
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()  # fails where somebody went on with it there, with sound
    return len(rescued) - len(known)
