"""Removes the sound of a case for good; its log is kept.

Each file is overwritten on the disk before it is unlinked. A disk that moves what it writes (flash storage,
a file system with snapshots, a journal of data or copy-on-write) may keep the old blocks all the same, out
of reach of any program: there only an encrypted disk or a locked case helps. Sound is kept in no other
place: not in the journal, and in no temporary file.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from grammar.case.amendments import ended
from grammar.case.facts import Purged
from grammar.errors import UserError
from listener.storage.journal import Journal
from listener.storage.private_files import settle
from listener.storage.seals import seal, sound_files
from listener.storage.signing import SigningKey

_PIECE = 1 << 20


def purge(journal: Journal, wall: str, key: SigningKey | None = None) -> int:
    """Remove a case's sound, store that, and seal the case anew if it was sealed. Returns how many
    files there were.

    Raises UserError where a file cannot be removed, or the fact cannot be stored.
    """
    files = sound_files(journal.folder)
    for path in files:
        try:
            _overwrite(path)
            path.unlink()
        except OSError as error:
            raise UserError(f"{path} cannot be removed: {error.strerror}") from None
    if files:
        settle(journal.folder)
        facts = journal.facts()
        journal.append_next(Purged(t=max((ended(fact) for fact in facts), default=0.0), wall=wall))
        if journal.seals():
            seal(journal, wall, key)
    return len(files)


def _overwrite(path: Path) -> None:
    # Never through a link: what lies outside the case folder is none of ours.
    if path.is_symlink():
        return
    handle = os.open(path, os.O_WRONLY | os.O_NOFOLLOW)
    try:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            return
        for at in range(0, about.st_size, _PIECE):
            os.pwrite(handle, bytes(min(_PIECE, about.st_size - at)), at)
        os.fsync(handle)
    finally:
        os.close(handle)
