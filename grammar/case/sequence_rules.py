"""Rules on order and timing between events: which are broken, and which are about to be."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from grammar.case.findings import Countdown, Finding
from grammar.language.meaning import Slots
from grammar.protocol.model import Protocol, SequenceRule


@dataclass(frozen=True, slots=True)
class Event:
    """A call that happened at `t` seconds, by fact."""

    t: float
    fact: int


Events = Mapping[str, Sequence[Event]]
"""Event name (`call-id` or `call-id:value`) -> when it happened, in order."""


def names(protocol: Protocol, call: str, slots: Slots) -> tuple[str, ...]:
    """Return the event names of one call: its id, and its id with each value and drug group."""
    found = [call]
    for value in slots.values():
        if isinstance(value, str):
            found.append(f"{call}:{value}")
            drug = protocol.drugs.get(value)
            if drug and drug.group:
                found.append(f"{call}:{drug.group}")
    return tuple(found)


def judge_rules(
    rules: Sequence[SequenceRule], events: Events, now: float
) -> tuple[tuple[Finding, ...], tuple[Countdown, ...]]:
    """Return the findings and countdowns of all rules at `now`."""
    findings: list[Finding] = []
    countdowns: list[Countdown] = []
    for rule in rules:
        first, then = _of(events, rule.first, now), _of(events, rule.then, now)
        match rule.kind:
            case "at-least":
                broken, coming = _at_least(rule, first, then, now)
            case "at-most":
                broken, coming = _at_most(rule, first, then, now)
            case "before":
                broken, coming = _before(rule, first, then), []
            case "after-count":
                broken, coming = _after_count(rule, first, then, now)
        findings += broken
        countdowns += coming
    return tuple(findings), tuple(countdowns)


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict of the rules from `since` up to, not at, `until`, as long as nothing else happens."""

    events: Events
    since: float
    until: float
    found: tuple[tuple[Finding, ...], tuple[Countdown, ...]]

    @classmethod
    def at(cls, rules: Sequence[SequenceRule], events: Events, now: float) -> Judged:
        """Return the verdict at `now`. Only a countdown that comes due, or an event still to come,
        changes it."""
        found = judge_rules(rules, events, now)
        coming = (event.t for each in events.values() for event in each if event.t > now)
        due = (countdown.due for countdown in found[1])
        return cls(events, now, min((*coming, *due), default=float("inf")), found)


def _of(events: Events, wanted: tuple[str, ...], now: float) -> list[Event]:
    found = {event for name in wanted for event in events.get(name, ()) if event.t <= now}
    return sorted(found, key=lambda event: event.t)


def _seconds(rule: SequenceRule) -> float:
    assert rule.seconds is not None  # the protocol's validation: only `before` has none
    return rule.seconds


def _countdown(
    rule: SequenceRule, started: float, due: float, facts: tuple[int, ...], *, wait: bool = False
) -> Countdown:
    return Countdown(
        rule=rule.id, title=rule.title, started=started, due=due, wait=wait, facts=facts
    )


def _at_least(
    rule: SequenceRule, first: list[Event], then: list[Event], now: float
) -> tuple[list[Finding], list[Countdown]]:
    need = _seconds(rule)
    broken = []
    last: Event | None = None
    for event in then:
        since = _first_after(first, last)
        since = since if since and since.t <= event.t else None
        if since and since != event and event.t - since.t < need:
            text = f"{rule.title}: {event.t - since.t:.0f} s instead of at least {need:.0f} s"
            broken.append(Finding(rule.id, event.t, (since.fact, event.fact), text))
        last = event
    since = _first_after(first, last)
    if since and now < since.t + need:
        due = since.t + need
        return broken, [_countdown(rule, since.t, due, (since.fact,), wait=True)]
    return broken, []


def _first_after(first: list[Event], last: Event | None) -> Event | None:
    """Return the first of events in order of time that begins a wait after the end `last`."""
    at = 0 if last is None else bisect_left(first, last.t, key=lambda event: event.t)
    return next((first[i] for i in range(at, len(first)) if _after(first[i], last)), None)


def _after(event: Event, last: Event | None) -> bool:
    """Return whether it comes later than the end before it, or is that event: a repeated event ends
    one wait and begins the next."""
    return last is None or event.t > last.t or event == last


def _at_most(
    rule: SequenceRule, first: list[Event], then: list[Event], now: float
) -> tuple[list[Finding], list[Countdown]]:
    allowed = _seconds(rule)
    broken, coming = [], []
    ends = [event.t for event in then]
    for at, event in enumerate(first):
        after = bisect_left(ends, event.t)
        # An event is not its own end: "the next adrenaline" follows the one before.
        after += after < len(then) and then[after] == event
        ended = then[after] if after < len(then) else None
        following = first[at + 1] if at + 1 < len(first) else None
        renewed = following and (ended is None or following.t < ended.t)
        if following and renewed and following.t <= event.t + allowed:
            continue  # the same thing begun again in time: the later one counts
        due = event.t + allowed
        end = ended.t if ended else now
        if end > due:
            facts = (event.fact, ended.fact) if ended else (event.fact,)
            took = f"{end - event.t:.0f} s" if ended else "not yet"
            text = f"{rule.title}: {took}, limit {allowed:.0f} s"
            broken.append(Finding(rule.id, due, facts, text))
        elif ended is None:
            coming.append(_countdown(rule, event.t, due, (event.fact,)))
    return broken, coming


def _before(rule: SequenceRule, first: list[Event], then: list[Event]) -> list[Finding]:
    return [
        Finding(rule.id, event.t, (event.fact,), f"{rule.title}: not called before")
        for event in then
        if not first or first[0].t > event.t
    ]


def _after_count(
    rule: SequenceRule, first: list[Event], then: list[Event], now: float
) -> tuple[list[Finding], list[Countdown]]:
    broken, coming = [], []
    times = [event.t for event in first]
    edges = [float("-inf"), *(event.t for event in then)]
    for start, stop in zip(edges, [*edges[1:], None], strict=True):
        after = bisect_right(times, start)
        counted = first[after : after + rule.count]
        if len(counted) < rule.count or (stop is not None and counted[-1].t > stop):
            continue
        trigger = counted[rule.count - 1]
        facts = tuple(event.fact for event in counted[: rule.count])
        due = trigger.t + _seconds(rule)
        if (now if stop is None else stop) > due:
            text = f"{rule.title}: due after {rule.count}, not within {_seconds(rule):.0f} s"
            broken.append(Finding(rule.id, due, facts, text))
        elif stop is None:
            coming.append(_countdown(rule, trigger.t, due, facts))
    return broken, coming
