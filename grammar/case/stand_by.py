"""Finds loops that "stand by" keeps waiting for too long."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.case.findings import Finding
from grammar.case.loops import Loop
from grammar.protocol.model import Protocol


def held_long(
    protocol: Protocol,
    before: tuple[Loop, ...],
    after: tuple[Loop, ...],
    loop: int | None,
    t: float,
) -> tuple[Finding, ...]:
    """Return the finding that stays when a loop that "stand by" kept waiting too long goes on at
    `t`."""
    if loop is None or not before or loop > before[-1].id:
        return ()  # just opened: nothing held it before
    was = next((x for x in reversed(before) if x.id == loop), None)
    now = next((x for x in reversed(after) if x.id == loop), None)
    if was is None or now is None or now.held is not None or now.status == "withdrawn":
        return ()
    return tuple(held_too_long(protocol, was, t))


def held_too_long(protocol: Protocol, loop: Loop, now: float) -> Iterator[Finding]:
    """Yield the finding on a loop that "stand by" still keeps waiting at `now`, where that is too
    long; else nothing."""
    if loop.held is None or now <= loop.held + protocol.protocol.stand_by_s:
        return
    facts = (loop.fact,) if loop.held_fact is None else (loop.fact, loop.held_fact)
    title = protocol.calls[loop.call].title
    text = f"{title}: held by stand by for more than {protocol.protocol.stand_by_s:.0f} s"
    yield Finding("stand-by-long", loop.held + protocol.protocol.stand_by_s, facts, text)
