"""Timers started by a call. Nothing ticks: the state of a timer follows from `now`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from grammar.case.chunked_sequence import ChunkedSequence
from grammar.replacing import replaced
from grammar.times import clock, duration

TimerState = Literal["running", "done", "complete"]


@dataclass(frozen=True, slots=True)
class Timer:
    """`started` and `completed` in seconds on the case's clock; `completed` when it was called complete."""

    id: int
    duration_s: float
    started: float
    fact: int
    completed: float | None = None
    extended_s: float = 0.0
    """Made longer by hand, in all."""
    stopped: bool = False
    """`completed` because a person stopped it."""
    ended_by: int | None = None
    """The fact that completed it."""
    by_hand: bool = False
    """Started at the keyboard, not called."""

    @property
    def due(self) -> float:
        return self.started + self.duration_s + self.extended_s

    @property
    def length(self) -> str:
        """How long it runs, in words: "3 min", made longer "3 min + 60 s"."""
        more = f" + {duration(round(self.extended_s, 1))}" if self.extended_s else ""
        return f"{duration(round(self.duration_s, 1))}{more}"

    @property
    def origin(self) -> str:
        """Its origin in words, which tells it from another as long: "from 00:27", "by hand 00:27"."""
        return f"{'by hand' if self.by_hand else 'from'} {clock(self.started)}"

    @property
    def name(self) -> str:
        """Length and origin in words: "3 min from 00:27"."""
        return f"{self.length} {self.origin}"

    def remaining(self, now: float) -> float:
        """Return the seconds left, negative once past."""
        return self.due - now

    def state(self, now: float) -> TimerState:
        """`running`, `done` once its time is up, `complete` once someone has said so."""
        if self.completed is not None:
            return "complete"
        return "done" if now >= self.due else "running"


def complete_oldest(timers: ChunkedSequence[Timer], t: float, fact: int) -> ChunkedSequence[Timer]:
    """Return the timers after "timer complete" at `t`: it means the one that was due first."""
    waiting = [at for at, timer in enumerate(timers) if timer.completed is None]
    if not waiting:
        return timers
    first = min(waiting, key=lambda at: timers[at].due)
    return timers.put(first, replaced(timers[first], completed=t, ended_by=fact))
