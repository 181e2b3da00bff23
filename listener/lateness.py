"""Says how late hearing is, and stores how far it has come while it lags behind the sound.

The program that hears knows how far it is. Whoever follows the case from its files cannot ask it, and would
take a call for unanswered whose answer is only not heard yet.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

from grammar.case.facts import BEHIND, Fact, HeardSoFar, Warned
from grammar.case.view import USUAL_LAG_S

BEHIND_S: Final = 3.0
"""Hearing that is further behind the sound than this is said to be late."""

EVERY_S: Final = 2.0
"""Seconds on the case's clock between two facts on how far hearing has come, while it lags."""


class Lateness:
    """How late one case is heard. Asked from the thread that hears and from the one that takes sound: one
    that is stuck must not keep the other from telling."""

    def __init__(self, tell: Callable[[Fact], object], *, live: bool) -> None:
        """`tell` stores a fact. Of sound that is not `live` nothing is late: it waits for whoever hears."""
        self._tell, self._live = tell, live
        self._turn = threading.Lock()
        self._late = False
        self._next = 0.0, 0.0
        """The next fact comes when sound has come up to the first or is heard up to the second; seconds."""

    def of(self, behind_s: float) -> float:
        """Return how late sound is heard that came `behind_s` seconds before, where that matters; else
        0."""
        return behind_s if self._live and behind_s >= BEHIND_S else 0.0

    def look(self, now: float, heard: float, told: float) -> None:
        """Store what is new about it. Sound has come up to `now` and is heard up to `heard`, and all that
        was said up to `told` is told; seconds on the case's clock."""
        behind_s = max(now - heard, 0.0)
        with self._turn:
            # It has caught up once it is as usual: at the bound itself it would begin again and again.
            late_s = behind_s if self._late and behind_s > USUAL_LAG_S else self.of(behind_s)
            if not late_s and not self._late:
                return
            began, self._late = bool(late_s) and not self._late, bool(late_s)
            if began:
                text = "hearing is behind the sound: what was said is heard late"
                self._tell(Warned(t=heard, what=BEHIND, text=text))
            if began or not late_s or now >= self._next[0] or heard >= self._next[1]:
                self._next = now + EVERY_S, heard + EVERY_S
                self._tell(HeardSoFar(t=told, late_s=round(late_s, 1)))
