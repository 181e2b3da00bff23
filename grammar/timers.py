"""Timers started by a call. Nothing ticks: what a timer says follows from `now`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

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

    @property
    def due(self) -> float:
        return self.started + self.duration_s + self.extended_s

    def remaining(self, now: float) -> float:
        """Seconds left, negative once past."""
        return self.due - now

    def state(self, now: float) -> TimerState:
        """`running`, `done` once its time is up, `complete` once someone has said so."""
        if self.completed is not None:
            return "complete"
        return "done" if now >= self.due else "running"


def complete_oldest(timers: tuple[Timer, ...], t: float) -> tuple[Timer, ...]:
    """The timers after "timer complete" at `t`: it means the one that was due first."""
    waiting = [timer for timer in timers if timer.completed is None]
    if not waiting:
        return timers
    first = min(waiting, key=lambda timer: timer.due)
    return tuple(replace(x, completed=t) if x is first else x for x in timers)
