"""How long things took, from one call to another: pre-oxygenation, an attempt, a pause.

What is measured comes from the protocol: the waits and limits of its `[[rule]]` tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from grammar.measures.times import Observation
from grammar.protocol import Protocol
from grammar.sequence import Event
from grammar.view import View


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `began` to `ended`, seconds on the case's clock; `ended` is None while it still lasts.

    `facts` are the calls that began and ended it, by `seq`. `seconds` is its length so far.
    """

    began: float
    ended: float | None
    seconds: float
    facts: tuple[int, ...]

    @property
    def observed(self) -> Observation:
        """Its length as an observation, censored while it lasts."""
        return Observation(self.seconds, self.ended is not None, self.facts)


@dataclass(frozen=True, slots=True)
class Measured:
    """One thing measured: every stretch of it, in order. `id` and `title` are the protocol's."""

    id: str
    title: str
    stretches: tuple[Stretch, ...]

    @property
    def total(self) -> float:
        """All of it, in seconds."""
        return sum(one.seconds for one in self.stretches)

    @property
    def longest(self) -> float | None:
        """The longest of it in seconds, None where it never began."""
        return max((one.seconds for one in self.stretches), default=None)


def measured(protocol: Protocol, view: View) -> tuple[Measured, ...]:
    """The stretches of every rule that asks for a time between two calls, also where all is well.

    A stretch lasts from the first `first` to the next `then`; one call may end a stretch and begin
    the next. Beginning again what has begun changes nothing.
    """
    return tuple(
        Measured(rule.id, rule.title, stretches(view, rule.first, rule.then))
        for rule in protocol.rule
        if rule.kind in ("at-least", "at-most")
    )


def stretches(view: View, first: Iterable[str], then: Iterable[str]) -> tuple[Stretch, ...]:
    """Every stretch from an event of `first` to the next of `then`, at the view's moment."""
    begins, ends = _events(view, first), _events(view, then)
    found: list[Stretch] = []
    running: Event | None = None
    for event in sorted(begins | ends, key=lambda event: (event.t, event.fact)):
        if running is not None and event in ends:
            facts = (running.fact, event.fact)
            found.append(Stretch(running.t, event.t, event.t - running.t, facts))
            running = None
        if running is None and event in begins:
            running = event
    if running is not None:
        found.append(Stretch(running.t, None, max(0.0, view.now - running.t), (running.fact,)))
    return tuple(found)


def _events(view: View, wanted: Iterable[str]) -> set[Event]:
    return {event for name in wanted for event in view.events.get(name, ()) if event.t <= view.now}
