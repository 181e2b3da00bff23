"""Removes the sound of a case, and the voices kept in it, for good; its log is kept.

Each file is overwritten on the disk before it is unlinked. A disk that moves what it writes (flash storage,
a file system with snapshots, a journal of data or copy-on-write) may keep the old blocks all the same, out
of reach of any program: there only an encrypted disk or a locked case helps. Sound is kept in no other
place: not in the journal, and in no temporary file.
"""

from __future__ import annotations

import os
from pathlib import Path

from grammar.case.amendments import ended
from grammar.case.facts import Purged
from grammar.errors import UserError
from listener.storage.fact_reader import opened
from listener.storage.journal import Journal
from listener.storage.private_files import remove_for_good, settle
from listener.storage.seals import seal, sound_files
from listener.storage.signing import SigningKey

VOICES = "voices.jsonl"
"""Voiceprints of members who agreed to be known in this case (`listener/team/voiceprint_store.py`)."""
FITTED = "fitted.network"
"""The quick ear's network as it was fitted to them (`listener/team/fitted_store.py`)."""


def personal_files(case: Path) -> list[Path]:
    """Return the files of a case that hold voices: its sound, voiceprints, and a network fitted to them."""
    made = [case / VOICES, case / FITTED]
    return [*sound_files(case), *(path for path in made if os.path.lexists(path))]


def purge(journal: Journal, wall: str, key: SigningKey | None = None) -> int:
    """Remove a case's sound and voiceprints, store that, and seal the case anew if it was sealed. Returns
    how many files there were.

    One that was altered is not sealed anew: a seal would vouch for what somebody changed.

    Raises UserError where a file cannot be removed, or the fact cannot be stored.
    """
    files = personal_files(journal.folder)
    altered = altered_in(journal) if files else ""
    for path in files:
        try:
            remove_for_good(path)
        except OSError as error:
            raise UserError(f"{path} cannot be removed: {error.strerror}") from None
    if files:
        settle(journal.folder)
        facts = journal.facts()
        journal.append_next(Purged(t=max((ended(fact) for fact in facts), default=0.0), wall=wall))
        if journal.seals() and not altered:
            seal(journal, wall, key)
    return len(files)


def altered_in(journal: Journal) -> str:
    """Return how a case was changed after it was stored, in one clause; "" where it was not."""
    journal.settle_log()
    with opened(journal.folder, journal.keys) as found:
        return found.integrity.altered
