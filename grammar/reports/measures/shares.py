"""Shares of a team's calls: how many were directed, answered, closed.

The study that these follow: El-Shafy et al., Journal of Surgical Education 2018,
doi 10.1016/j.jsurg.2017.06.025, a video review of 387 verbal orders. There an order is *directed*
when it is aimed at a named person or role, *audible* when the team can hear it, and *closed-loop* when
the receiver verifies it back. Whether people could hear an order the log only tells by what followed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Literal

from grammar.case.loops import Loop, LoopState
from grammar.case.view import View
from grammar.protocol.model import Protocol


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `total`, with its 95 % Wilson interval (Wilson, JASA 1927): `low` to `high`, 0 to 1.

    Without any total there is no share: `value` is None and the interval is 0 to 1. `facts` are the
    calls counted, by `seq`; empty for several cases taken together.
    """

    count: int
    total: int
    low: float
    high: float
    facts: tuple[int, ...] = ()

    @property
    def value(self) -> float | None:
        """Return the share, 0 to 1; None of nothing."""
        return self.count / self.total if self.total else None


@dataclass(frozen=True, slots=True)
class Communication:
    """Shares of the calls that want an answer. Withdrawn calls are left out.

    `clean` counts what went as it should; a call that did not counts under each share that says why.
    """

    clean: Share
    """Answered in time by whom it was for, first read-back right, closed without repeating, all heard."""
    late: Share
    """Answered in agreement after the window."""
    put_right: Share
    """Read back with another value first, and rightly later."""
    by_another: Share
    """Answered by another station than the one it was for."""
    never: Share
    """Not answered in agreement in the end: nobody did, or a wrong read-back was left so. A call that is
    still within its window is not counted here, nor one that was entered afterwards, of which nobody knows
    whether it was answered."""
    repeated: Share
    """Called again by the caller, or asked to be said again."""
    directed: Share
    """Addressed to a station."""
    audible: Share
    """Heard at the first time, as far as the log can tell: without doubt, not called again, and nobody
    asked to have it said again."""
    closed: Share
    """Closed by an answer that was heard: what a person entered by hand is not counted."""
    answered: Share
    """Answered in agreement, in time or late."""
    differed: Share
    """Read back with another value at least once, put right or not."""


NAMES: tuple[str, ...] = tuple(one.name for one in fields(Communication))
"""The names of the shares, in order."""


def share(count: int, total: int, facts: Iterable[int] = ()) -> Share:
    """Return `count` of `total` with its 95 % Wilson interval. Raises ValueError unless 0 <= count
    <= total."""
    if total == 0 and count == 0:
        return Share(0, 0, 0.0, 1.0)
    from scipy.stats import binomtest  # noqa: PLC0415  (half a second, for those who measure)

    interval = binomtest(count, total).proportion_ci(0.95, method="wilson")
    return Share(
        count=count,
        total=total,
        low=float(interval.low),
        high=float(interval.high),
        facts=tuple(facts),
    )


def communication(view: View) -> Communication:
    """Return the shares of one case at the view's moment."""
    return of_loops(_counted(view))


def is_order(protocol: Protocol, loop: Loop) -> bool:
    """Return whether the call of a loop asks somebody to do something."""
    return protocol.calls[loop.call].is_order


def of_orders(protocol: Protocol, view: View) -> Communication:
    """Return the shares of the orders alone, on which the study computed them."""
    return of_loops([pair for pair in _counted(view) if is_order(protocol, pair[0])])


def of_announcements(protocol: Protocol, view: View) -> Communication:
    """Return the shares of the other calls that want an answer: announcements and reports."""
    return of_loops([pair for pair in _counted(view) if not is_order(protocol, pair[0])])


def by_station(
    protocol: Protocol, view: View, whose: Literal["sender", "to"]
) -> dict[str, Communication]:
    """Return the shares of orders per station: of those it gave (`sender`), or of those addressed to
    it (`to`).

    Under "" stand the orders whose station nobody named. In order of first appearance.
    """
    orders = [pair for pair in _counted(view) if is_order(protocol, pair[0])]
    return _grouped(orders, lambda loop: (loop.sender if whose == "sender" else loop.to) or "")


def by_call(view: View) -> dict[str, Communication]:
    """Return the shares per call of the protocol, in order of first appearance."""
    return _grouped(_counted(view), lambda loop: loop.call)


def pooled(parts: Iterable[Communication]) -> Communication:
    """Return several cases taken together: counts and totals add up, and the interval follows from
    them."""
    parts = list(parts)

    def total(name: str) -> Share:
        shares: list[Share] = [getattr(part, name) for part in parts]
        return share(sum(x.count for x in shares), sum(x.total for x in shares))

    return Communication(**{name: total(name) for name in NAMES})


def is_closed(loop: Loop, state: LoopState) -> bool:
    """Return whether an answer that was heard closed the loop."""
    return "closed" in _counts_for(loop, state)


def is_clean(loop: Loop, state: LoopState) -> bool:
    """Return whether a loop went as it should: see `Communication.clean`."""
    return "clean" in _counts_for(loop, state)


def _counted(view: View) -> list[tuple[Loop, LoopState]]:
    return [(loop, state) for loop, state in view.loops if state != "withdrawn"]


def _grouped(
    loops: Iterable[tuple[Loop, LoopState]], key: Callable[[Loop], str]
) -> dict[str, Communication]:
    groups: dict[str, list[tuple[Loop, LoopState]]] = {}
    for loop, state in loops:
        groups.setdefault(key(loop), []).append((loop, state))
    return {name: of_loops(loops) for name, loops in groups.items()}


def of_loops(loops: Sequence[tuple[Loop, LoopState]]) -> Communication:
    """Return the shares of these calls, each with its state; none of them withdrawn."""
    facts: dict[str, list[int]] = {name: [] for name in NAMES}
    for loop, state in loops:
        for name in _counts_for(loop, state):
            facts[name].append(loop.fact)
    return Communication(
        **{name: share(len(found), len(loops), found) for name, found in facts.items()}
    )


def _counts_for(loop: Loop, state: LoopState) -> tuple[str, ...]:
    """Return the shares that a call counts for."""
    return _ways(
        state,
        loop.flags,
        loop.late,
        loop.unsure,
        answered=loop.answered is not None,
        directed=loop.to is not None,
        repeated=loop.repeats > 0,
    )


@lru_cache(1024)
def _ways(
    state: LoopState,
    flags: tuple[str, ...],
    late: bool,
    unsure: bool,
    *,
    answered: bool,
    directed: bool,
    repeated: bool,
) -> tuple[str, ...]:
    """Return the shares that every call which went this way counts for: of a week's hundred thousands there
    are a few dozen ways, and each call is counted in several tables."""
    again, differed, another = (
        repeated or "say again" in flags,
        "differed" in flags,
        "by another" in flags,
    )
    closed = state == "closed" and "by hand" not in flags
    counts = {
        "clean": closed and not (late or differed or again or another),
        "late": late and answered,
        "put_right": differed and answered,
        "by_another": another,
        "never": state in ("unanswered", "differs"),
        "repeated": again,
        "directed": directed,
        "audible": not unsure and not again,
        "closed": closed,
        "answered": answered,
        "differed": differed,
    }
    return tuple(name for name, counted in counts.items() if counted)
