"""Times to something awaited: to the read-back, to the task done. A time that has not ended is
censored.

A call that nobody answered is no missing value: it says that the answer takes longer than the team
was watched. Left out, it would flatter the team; so it stays, as a censored observation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from grammar.case.loops import Loop
from grammar.case.view import View
from grammar.reports.measures.shares import is_closed


@dataclass(frozen=True, slots=True)
class Observation:
    """A time in seconds to something awaited; `seen` is False where it had not come by then.

    `facts` are the call and, where it came, what was awaited, by `seq`.
    """

    seconds: float
    seen: bool
    facts: tuple[int, ...] = ()


RESOLUTION_S = 0.5
"""Times to read-back are as good as the ends of words: no two are told apart that lie this close.

The ends of words come a little early, so that times are a little long. `tests/whole/test_hand_count.py`
measures it on the sample drills (machines' voices), and fails where one is further from the truth."""


def times_to_read_back(
    view: View, counts: Callable[[Loop], bool] = lambda _: True
) -> list[Observation]:
    """Return seconds from the end of each call to the beginning of the answer that agrees with it.

    Of the calls that `counts` takes. Those without an answer are censored at the view's moment.
    Withdrawn calls are left out, and those entered afterwards of which nobody knows whether they were
    answered. As exact as RESOLUTION_S.
    """
    found = []
    for loop, state in view.loops:
        if state in ("withdrawn", "unknown") or not counts(loop):
            continue
        until = view.now if loop.answered is None else loop.answered
        facts = (loop.fact,) if loop.answer_fact is None else (loop.fact, loop.answer_fact)
        found.append(Observation(max(0.0, until - loop.ended), loop.answered is not None, facts))
    return found


def times_to_done(view: View) -> list[Observation]:
    """Return seconds from each order's beginning to the report that it is done, censored likewise."""
    return done_closed_and_not(view)[0]


def closed_and_not(view: View) -> tuple[list[Observation], list[Observation]]:
    """Return times to task done, of the orders whose loop closed and of those whose loop did not.

    The comparison of El-Shafy et al. (see `shares.py`), where closed-loop orders were done 3.6 times
    sooner. Like theirs it shows what goes together, not what causes what. An order is closed as in
    `Communication.closed`; one that wants no answer belongs to neither.
    """
    return done_closed_and_not(view)[1:]


def done_closed_and_not(
    view: View,
) -> tuple[list[Observation], list[Observation], list[Observation]]:
    """Return the times of `times_to_done`, and those of `closed_and_not`, each time as one value."""
    orders = list(_orders(view))
    closed = [observed for observed, state in orders if state is True]
    not_closed = [observed for observed, state in orders if state is False]
    return [observed for observed, _ in orders], closed, not_closed


def _orders(view: View) -> Iterator[tuple[Observation, bool | None]]:
    """Yield each order's time, and whether its loop closed: None where it has none."""
    loops = {loop.id: is_closed(loop, state) for loop, state in view.loops}
    for task, state in view.tasks:
        if state == "withdrawn":
            continue
        until = view.now if task.done is None else task.done
        facts = (task.fact,) if task.done_fact is None else (task.fact, task.done_fact)
        observed = Observation(max(0.0, until - task.ordered), task.done is not None, facts)
        yield observed, loops.get(task.loop)
