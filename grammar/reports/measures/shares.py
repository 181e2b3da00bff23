"""Shares of a team's calls: how many were directed, answered, closed.

The study that these follow: El-Shafy et al., Journal of Surgical Education 2018,
doi 10.1016/j.jsurg.2017.06.025, a video review of 387 verbal orders. There an order is *directed*
when it is aimed at a named person or role, and *closed-loop* when the receiver verifies it back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
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
        return self.count / self.total if self.total else None


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
    """Answered after the window."""
    differed: Share
    """Read back with another value at least once, put right or not."""
    repeated: Share
    """Called again by the caller."""


def share(count: int, total: int, facts: Iterable[int] = ()) -> Share:
    """Return `count` of `total` with its 95 % Wilson interval. Raises ValueError unless 0 <= count
    <= total."""
    if total == 0 and count == 0:
        return Share(0, 0, 0.0, 1.0)
    from scipy.stats import binomtest  # noqa: PLC0415  (half a second, for those who measure)

    interval = binomtest(count, total).proportion_ci(0.95, method="wilson")
    return Share(count, total, float(interval.low), float(interval.high), tuple(facts))


def communication(view: View) -> Communication:
    """Return the shares of one case at the view's moment."""
    return _of(_counted(view))


def of_orders(protocol: Protocol, view: View) -> Communication:
    """Return the shares of the orders alone, on which the study computed them."""
    return _of([pair for pair in _counted(view) if protocol.calls[pair[0].call].is_order])


def of_announcements(protocol: Protocol, view: View) -> Communication:
    """Return the shares of the other calls that want an answer: announcements and reports."""
    return _of([pair for pair in _counted(view) if not protocol.calls[pair[0].call].is_order])


def by_station(view: View, whose: Literal["sender", "to"]) -> dict[str, Communication]:
    """Return the shares per station: of the calls it made (`sender`), or of those addressed to it
    (`to`).

    Under "" stand the calls whose station nobody named. In order of first appearance.
    """
    return _grouped(view, lambda loop: (loop.sender if whose == "sender" else loop.to) or "")


def by_call(view: View) -> dict[str, Communication]:
    """Return the shares per call of the protocol, in order of first appearance."""
    return _grouped(view, lambda loop: loop.call)


def pooled(parts: Iterable[Communication]) -> Communication:
    """Return several cases taken together: counts and totals add up, and the interval follows from
    them."""
    parts = list(parts)

    def total(take: Callable[[Communication], Share]) -> Share:
        shares = [take(part) for part in parts]
        return share(sum(x.count for x in shares), sum(x.total for x in shares))

    return Communication(
        directed=total(lambda part: part.directed),
        answered=total(lambda part: part.answered),
        closed=total(lambda part: part.closed),
        late=total(lambda part: part.late),
        differed=total(lambda part: part.differed),
        repeated=total(lambda part: part.repeated),
    )


def is_closed(loop: Loop, state: LoopState) -> bool:
    """Return whether an answer that was heard closed the loop."""
    return state == "closed" and "by hand" not in loop.flags


def _counted(view: View) -> list[tuple[Loop, LoopState]]:
    return [(loop, state) for loop, state in view.loops if state != "withdrawn"]


def _grouped(view: View, key: Callable[[Loop], str]) -> dict[str, Communication]:
    groups: dict[str, list[tuple[Loop, LoopState]]] = {}
    for loop, state in _counted(view):
        groups.setdefault(key(loop), []).append((loop, state))
    return {name: _of(loops) for name, loops in groups.items()}


def _of(loops: list[tuple[Loop, LoopState]]) -> Communication:
    def those(wanted: Callable[[Loop, LoopState], bool]) -> Share:
        facts = [loop.fact for loop, state in loops if wanted(loop, state)]
        return share(len(facts), len(loops), facts)

    return Communication(
        directed=those(lambda loop, _: loop.to is not None),
        answered=those(lambda loop, _: loop.answered is not None),
        closed=those(is_closed),
        late=those(lambda loop, _: loop.late),
        differed=those(lambda loop, _: "differed" in loop.flags),
        repeated=those(lambda loop, _: loop.repeats > 0),
    )
