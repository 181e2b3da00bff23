"""Finds loops that "stand by" keeps waiting for too long."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.case.findings import Finding
from grammar.case.loop_step import Loops, place_of
from grammar.case.loops import Loop
from grammar.protocol.model import Protocol


def held_long(
    protocol: Protocol,
    before: Loops,
    after: Loops,
    *,
    loop: int | None,
    t: float,
) -> tuple[Finding, ...]:
    """Return the finding that stays when a loop that "stand by" kept waiting too long goes on at
    `t`."""
    if loop is None or before is after or not before or loop > before[-1].id:
        return ()  # just opened: nothing held it before
    at = place_of(before, loop)  # and after: a loop keeps its place
    if at is None:
        return ()
    was, now = before[at], after[at]
    if was.stand_by_since is None or now.stand_by_since is not None or now.status == "withdrawn":
        return ()
    return tuple(held_too_long(protocol, was, t))


def held_too_long(protocol: Protocol, loop: Loop, now: float) -> Iterator[Finding]:
    """Yield the finding on a loop that "stand by" still keeps waiting at `now`, where that is too
    long; else nothing."""
    if loop.stand_by_since is None or now <= loop.stand_by_since + protocol.protocol.stand_by_s:
        return
    facts = (loop.fact,) if loop.stand_by_fact is None else (loop.fact, loop.stand_by_fact)
    title = protocol.calls[loop.call].title
    text = f"{title}: held by stand by for more than {protocol.protocol.stand_by_s:.0f} s"
    yield Finding("stand-by-long", loop.stand_by_since + protocol.protocol.stand_by_s, facts, text)
