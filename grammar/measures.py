"""What a debrief measures of communication, each with its definition.

The study that these follow: El-Shafy et al., Journal of Surgical Education 2018,
doi 10.1016/j.jsurg.2017.06.025, a video review of 387 verbal orders. There an order is *directed*
when it is aimed at a named person or role, and *closed-loop* when the receiver verifies it back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import binomtest

from grammar.view import View


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `total`, with its 95 % Wilson interval (Wilson, JASA 1927): `low` to `high`, 0 to 1.

    Without any total there is no share: `value` is None and the interval is 0 to 1.
    """

    count: int
    total: int
    low: float
    high: float

    @property
    def value(self) -> float | None:
        return self.count / self.total if self.total else None


@dataclass(frozen=True, slots=True)
class Observation:
    """A time in seconds to something awaited; `seen` is False where it had not come by then.

    One that has not come is censored, not dropped: it says that the time is longer.
    """

    seconds: float
    seen: bool


@dataclass(frozen=True, slots=True)
class Communication:
    """Shares of the calls that want an answer. Withdrawn calls are left out."""

    directed: Share
    """Addressed to a station."""
    answered: Share
    """Answered in agreement, in time or late."""
    closed: Share
    """Closed by an answer that was heard: what a person entered by hand is not counted."""
    late: Share
    differed: Share
    """Read back with another value at least once, put right or not."""
    repeated: Share
    """Called again by the caller."""


def share(count: int, total: int) -> Share:
    """`count` of `total` with its 95 % Wilson interval. Raises ValueError unless 0 <= count <= total."""
    if total == 0 and count == 0:
        return Share(0, 0, 0.0, 1.0)
    interval = binomtest(count, total).proportion_ci(0.95, method="wilson")
    return Share(count, total, float(interval.low), float(interval.high))


def communication(view: View) -> Communication:
    """The shares of one case at the view's moment."""
    loops = [(loop, state) for loop, state in view.loops if state != "withdrawn"]
    total = len(loops)
    return Communication(
        directed=share(sum(loop.to is not None for loop, _ in loops), total),
        answered=share(sum(loop.answered is not None for loop, _ in loops), total),
        closed=share(
            sum(state == "closed" and "by hand" not in loop.flags for loop, state in loops), total
        ),
        late=share(sum(loop.late for loop, _ in loops), total),
        differed=share(sum("differed" in loop.flags for loop, _ in loops), total),
        repeated=share(sum(loop.repeats > 0 for loop, _ in loops), total),
    )


def times_to_read_back(view: View) -> Sequence[Observation]:
    """Seconds from the end of each call to the beginning of the answer that agrees with it.

    Calls without one are censored at the view's moment.
    """
    return [
        Observation(max(0.0, loop.answered - loop.ended), True)
        if loop.answered is not None
        else Observation(max(0.0, view.now - loop.ended), False)
        for loop, state in view.loops
        if state != "withdrawn"
    ]


def times_to_done(view: View) -> Sequence[Observation]:
    """Seconds from each order's beginning to the report that it is done, censored likewise."""
    return [
        Observation(task.done - task.ordered, True)
        if task.done is not None
        else Observation(max(0.0, view.now - task.ordered), False)
        for task, state in view.tasks
        if state != "withdrawn"
    ]
