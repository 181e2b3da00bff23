"""Durations from one call to another: of pre-oxygenation, an attempt, a pause.

The protocol says what is measured: the waits and limits of its `[[rule]]` tables, and its
`[[span]]` tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from grammar.case.sequence_rules import Event
from grammar.case.view import View
from grammar.protocol.model import Protocol, SequenceRule, Span
from grammar.reports.measures.times import Observation


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
    """Return the stretches of every rule that asks for a time between two calls, also where all is
    well, and of every span that is no phase.

    A stretch lasts from the first `first` to the next `then`; one call may end a stretch and begin
    the next. Beginning again what has begun changes nothing.
    """
    asked: list[SequenceRule | Span] = [
        *(rule for rule in protocol.rule if rule.kind in ("at-least", "at-most")),
        *(span for span in protocol.span if span.kind == "time"),
    ]
    return tuple(Measured(one.id, one.title, stretches(view, one.first, one.then)) for one in asked)


def phases(protocol: Protocol, view: View) -> tuple[Measured, ...]:
    """Return how long each phase of the protocol took, those that never came included.

    A phase lasts from its first event until another phase begins, or to the end of the case; one that
    comes again has a second stretch.
    """
    own = [(span.id, _events(view, span.first)) for span in protocol.span if span.kind == "phase"]
    begins = sorted(
        ((event, name) for name, events in own for event in events),
        key=lambda pair: (pair[0].t, pair[0].fact),
    )
    turns = [pair for at, pair in enumerate(begins) if at == 0 or begins[at - 1][1] != pair[1]]
    found: dict[str, list[Stretch]] = {name: [] for name, _ in own}
    for at, (event, name) in enumerate(turns):
        following = turns[at + 1][0] if at + 1 < len(turns) else None
        ended = following.t if following else view.ended
        end = view.now if ended is None else ended
        facts = (event.fact,) if following is None else (event.fact, following.fact)
        found[name].append(Stretch(event.t, ended, max(0.0, end - event.t), facts))
    titles = {span.id: span.title for span in protocol.span}
    return tuple(Measured(name, titles[name], tuple(each)) for name, each in found.items())


def stretches(view: View, first: Iterable[str], then: Iterable[str]) -> tuple[Stretch, ...]:
    """Return every stretch from an event of `first` to the next of `then`, at the view's moment."""
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
