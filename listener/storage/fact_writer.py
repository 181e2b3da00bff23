"""Writes facts to the disk in order, whatever happens to the disk.

A thread of its own stores them, so that a drive that hangs stops nobody from listening. Whoever tells a
fact waits until it is stored; only while the store fails are facts shown first, marked as not stored
yet, and stored in order once it works again.
"""

from __future__ import annotations

import sqlite3
import threading
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeVar

from grammar.case.facts import Fact
from grammar.errors import UserError
from listener.storage.disk_trouble import SCARCE_BYTES, cause, hindrance, outlook
from listener.storage.journal import PROTOCOL, Journal

PATIENCE_S: Final = 2.0
"""Seconds to wait for a commit, which takes milliseconds, on a busy old disk a few tenths of a
second."""

RETRY_S: Final = 1.0
"""Seconds between two tries to store a fact that could not be stored."""

F = TypeVar("F", bound=Fact)


class FactWriter:
    """Numbers facts and keeps them: in memory at once, in the journal as soon as it takes them."""

    def __init__(
        self,
        journal: Journal,
        *,
        patience_s: float = PATIENCE_S,
        retry_s: float = RETRY_S,
        scarce_bytes: int = SCARCE_BYTES,
    ) -> None:
        self.journal = journal
        """Where facts are stored; another one once the disk was away."""
        self._patience_s, self._retry_s = patience_s, retry_s
        self._scarce_bytes = scarce_bytes
        self._facts: list[Fact] = journal.facts()
        self._stored = len(self._facts)
        self._lacking = journal.count - self._stored
        """Numbers below the last whose facts a power cut took."""
        self._trouble = ""
        """A clause on why facts are waiting."""
        self._outlook = ""
        """A clause on why the next may have to wait, while none does."""
        self._broken = False
        """Whether the journal is to be opened anew."""
        self._mended = ""
        self._closing = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._store_all, name="storing", daemon=True)
        self._thread.start()

    @property
    def stored(self) -> int:
        """The `seq` of the last fact that is on disk."""
        return self._stored + self._lacking

    @property
    def trouble(self) -> str:
        """A sentence on why facts are not stored at the moment, or soon may not be; "" while all is
        well."""
        if self._trouble:
            return f"{len(self._facts) - self._stored} not stored yet: {self._trouble}"
        return f"what comes next may not be stored: {self._outlook}" if self._outlook else ""

    def keep(self, fact: F) -> F:
        """Return the fact with its `seq`. It is stored on return, or `seq` is beyond `stored` and
        `trouble` says why."""
        with self._changed:
            place = len(self._facts) + 1
            numbered = replace(fact, seq=place + self._lacking)
            self._facts.append(numbered)
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._trouble or self._stored >= place, self._patience_s)
            if not self._trouble and self._stored < place:
                self._trouble = "the disk does not answer"
        return numbered

    def mended(self) -> str:
        """Return why facts had to wait that are stored now, since the last call; "" where none had
        to."""
        with self._changed:
            mended, self._mended = self._mended, ""
        return mended

    def finish(self, patience_s: float = 5.0) -> int:
        """Store what is left, for at most `patience_s`. Returns how many facts could not be stored.

        The journal may be used by others, and closed, only where that is 0.
        """
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(patience_s)
        return len(self._facts) - self._stored

    def _store_all(self) -> None:
        while (fact := self._next()) is not None:
            try:
                if self._broken:
                    self._reopen()
                else:
                    self._store(fact)
            except (OSError, sqlite3.Error, UserError) as error:
                self._broken = True
                self._wait(cause(self._file, error))

    @property
    def _file(self) -> Path:
        """A file that tells of the folder. It is not the journal, whose closing, however opened,
        lets SQLite's locks go."""
        return self.journal.folder / PROTOCOL

    def _next(self) -> Fact | None:
        """Wait for the first fact that is not stored and return it; None at the end."""
        while True:
            self._outlook = outlook(self._file, self._scarce_bytes)
            with self._changed:
                if self._changed.wait_for(
                    lambda: self._closing or self._stored < len(self._facts), self._retry_s
                ):
                    return self._facts[self._stored] if self._stored < len(self._facts) else None

    def _store(self, fact: Fact) -> None:
        self.journal.append(fact)
        # Into a drive that was taken away SQLite goes on to write, and nobody will see it again.
        away = hindrance(self._file)
        if away:
            raise UserError(away)
        self._is_stored(self._stored + 1)

    def _reopen(self) -> None:
        """Open the journal anew, since a drive that came back has no use for an old handle.

        The facts in it then decide which are still to be stored: a commit may have failed after it
        was written, and a drive may have lost facts that it had taken.
        """
        with suppress(OSError, sqlite3.Error):
            self.journal.close()
        self.journal = self.journal.reopened()
        self._broken = False
        self._is_stored(min(self.journal.count - self._lacking, len(self._facts)))

    def _is_stored(self, count: int) -> None:
        with self._changed:
            self._stored = count
            if self._trouble and count == len(self._facts):
                self._trouble, self._mended = "", self._trouble
            self._changed.notify_all()

    def _wait(self, trouble: str) -> None:
        with self._changed:
            self._trouble = trouble
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._closing, self._retry_s)
            if self._closing:
                self._changed.wait_for(lambda: False, 0.1)
