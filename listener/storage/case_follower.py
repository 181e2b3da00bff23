"""Reads a case again and again while another process hears it; its folder is left as it is."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from grammar.case.facts import CaseStarted, Heard, HeardOut, HeardSoFar, Resumed
from grammar.case.fold import Case
from grammar.case.view import HeardUpTo, View
from grammar.errors import UserError
from listener.storage.case_lock import is_held
from listener.storage.case_reader import open_case
from listener.storage.fact_reader import stored_facts
from listener.storage.journal import JOURNAL
from listener.storage.passphrase import unlock

PERIOD_S = 0.3
"""Seconds between two looks at the files: a new fact is seen within a second."""

STORED_WITHIN_S = 5.0
"""Speech is stored so many seconds after it began at the latest, while hearing is in time: for so long the
program that hears waits for speech that goes on."""


class CaseFollower:
    """The case in a folder, kept up to date by a thread of its own once `start` was called."""

    def __init__(
        self,
        folder: Path,
        wall: Callable[[], datetime],
        passphrase: str | None = None,
        *,
        even_if_altered: bool = False,
    ) -> None:
        """`wall` gives the local time with offset. Raises UserError for what is no case, and for one that
        was altered unless `even_if_altered`: then `altered` says so."""
        self._folder, self._wall = folder, wall
        self._keys = unlock(folder, passphrase)
        stored = open_case(folder, passphrase, even_if_altered=even_if_altered)
        self.altered = stored.integrity.told if stored.integrity.altered else ""
        """A sentence on how the case was altered after it was stored; "" where it was not."""
        self.protocol = stored.protocol
        self.case: Case = stored.case()
        self.trouble: str | None = None
        """A sentence on why the files cannot be read at the moment; None while they can."""
        self.heard_now = is_held(folder)
        """Whether somebody is hearing the case."""
        self._seen: object = None
        self._end = stored.end
        self._stopped = threading.Event()

    @property
    def started(self) -> CaseStarted | Resumed | None:
        """The latest sitting's beginning, which names engine and source."""
        found = (f for f in reversed(self.case.facts) if isinstance(f, CaseStarted | Resumed))
        return next(found, None)

    @property
    def behind(self) -> bool:
        """Return whether hearing lagged behind when something was last told of it."""
        return self._late is not None

    @property
    def _late(self) -> float | None:
        """The moment up to which all is heard, seconds, where hearing lagged when something was last told;
        else None."""
        for fact in reversed(self.case.facts):
            match fact:
                case Heard() | HeardOut():
                    return fact.until if fact.late_s else None
                case HeardSoFar():
                    return fact.t if fact.late_s else None
                case CaseStarted() | Resumed():
                    return None
                case _:
                    pass
        return None

    def view(self, now: float) -> View:
        """Return the case at `now`, seconds on its clock. While it is heard nobody is judged by what may
        have been said and is not stored yet."""
        if not self.heard_now or self.case.state.ended is not None:
            return self.case.view(now)
        # How far it is heard is asked first: the facts are then no older.
        late = self._late
        heard = HeardUpTo(now, now - STORED_WITHIN_S) if late is None else HeardUpTo(late, late)
        return self.case.view(now, heard)

    def now(self) -> float:
        """Return the case's clock in seconds: it follows the wall clock while the case is heard,
        else it is the last moment."""
        if not self.heard_now or self.case.state.ended is not None:
            return self._end
        began = next((f.wall for f in self.case.facts if isinstance(f, CaseStarted)), "")
        try:
            gone = (self._wall() - datetime.fromisoformat(began)).total_seconds()
        except (ValueError, TypeError):
            return self._end
        return max(gone, self._end)

    def look(self) -> None:
        """Read the new facts. Never raises for files that cannot be read just now: `trouble` says
        so."""
        self.heard_now = is_held(self._folder)
        seen = self._signs()
        if seen == self._seen:
            return
        try:
            stored = stored_facts(self._folder, self._keys)
        except UserError as error:
            self.trouble = str(error)
            return
        if stored.damaged:
            self.trouble = (
                stored.missing
            )  # caught in the middle of being written, it is whole next time
            return
        facts = stored.facts
        known = len(self.case.facts)
        for fact in facts[known:]:
            self.case.add(fact)
        self._end = max(self._end, *(getattr(f, "until", f.t) for f in facts[known:]), 0.0)
        self._seen, self.trouble = seen, None

    def start(self) -> None:
        """Look again and again."""
        threading.Thread(target=self._follow, name="following", daemon=True).start()

    def stop(self) -> None:
        """Look no more."""
        self._stopped.set()

    def _follow(self) -> None:
        while not self._stopped.wait(PERIOD_S):
            self.look()

    def _signs(self) -> object:
        """Return signs that change when a fact is stored: size and time of the database and of its
        log."""
        found = []
        for name in (JOURNAL, f"{JOURNAL}-wal"):
            try:
                status = (self._folder / name).stat()
                found.append((status.st_size, status.st_mtime_ns))
            except OSError:
                found.append((0, 0))
        return found
