"""Timers started by a call. Nothing ticks: the state of a timer follows from `now`."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Iterable
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
    own: bool = False
    """The recorder's own: started at the keyboard, and nobody called it."""

    @property
    def due(self) -> float:
        """Return when its time is up, seconds on the case's clock."""
        return self.started + self.duration_s + self.extended_s

    @property
    def length(self) -> str:
        """Return how long it runs, in words: "3 min", or "3 min + 60 s" once it was made longer."""
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
        """Return `running`, `done` once its time is up, `complete` once someone has said so."""
        if self.completed is not None:
            return "complete"
        return "done" if now >= self.due else "running"


Running = tuple[tuple[float, int], ...]
"""When each timer that nobody called complete is due, and its place among all; the first due first."""


def running_of(timers: Iterable[Timer]) -> Running:
    """Return those of the timers that nobody called complete."""
    places = enumerate(timers)
    return tuple(sorted((timer.due, at) for at, timer in places if timer.completed is None))


def with_one_more(running: Running, due: float, place: int) -> Running:
    """Return them with the timer at `place`, due at `due` seconds on the case's clock."""
    at = bisect(running, (due, place))
    return (*running[:at], (due, place), *running[at:])


def complete_oldest(
    timers: ChunkedSequence[Timer], running: Running, t: float, fact: int
) -> tuple[ChunkedSequence[Timer], Running]:
    """Return the timers after "timer complete" at `t`, and those that still run: it means the one that
    was due first of those that were called, and one of the recorder's own only where no other runs."""
    if not running:
        return timers, running
    meant = next((one for one in running if not timers[one[1]].own), running[0])
    at = meant[1]
    ended = replaced(timers[at], completed=t, ended_by=fact)
    return timers.put(at, ended), tuple(one for one in running if one != meant)
