"""The objectives of a drill, and the part of the log that shows each.

A protocol names its own (`[[objective]]`), with the calls and rules that show them. One typed at the
briefing is in free words: it is held to the calls, drugs, stations and rules whose names it holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from grammar.case.findings import Finding
from grammar.case.loops import Loop
from grammar.case.view import View
from grammar.protocol.model import Protocol
from grammar.reports.measures import Communication, of_loops


@dataclass(frozen=True, slots=True)
class Shown:
    """One objective and what the log shows of it."""

    title: str
    typed: bool
    """Typed at the briefing, not the protocol's own."""
    about: tuple[str, ...]
    """Ids of the calls that it is held to; empty where it is held to none."""
    loops: tuple[Loop, ...]
    """Those calls that want an answer."""
    shares: Communication
    rules: tuple[str, ...]
    """Ids of the rules that it is held to."""
    broken: tuple[Finding, ...]
    """Each time that one of them was broken, or that an order of these calls was not done as it should."""
    tested: bool
    """Whether anything happened that one of its rules waits for."""


def objectives(protocol: Protocol, view: View, typed: Iterable[str]) -> tuple[Shown, ...]:
    """Return every objective, those typed at the briefing first."""
    own = [
        _shown(protocol, view, title=one.title, calls=one.calls, rules=one.rules, typed=False)
        for one in protocol.objective
    ]
    briefed = []
    for text in typed:
        calls, rules, drugs, stations = _named(protocol, text)
        briefed.append(
            _shown(
                protocol,
                view,
                title=text,
                calls=calls,
                rules=rules,
                typed=True,
                drugs=drugs,
                stations=stations,
            )
        )
    return (*briefed, *own)


def _shown(
    protocol: Protocol,
    view: View,
    *,
    title: str,
    calls: Iterable[str],
    rules: Iterable[str],
    typed: bool,
    drugs: frozenset[str] = frozenset(),
    stations: frozenset[str] = frozenset(),
) -> Shown:
    about, held = tuple(calls), tuple(rules)
    pairs = [
        (loop, state)
        for loop, state in view.loops
        if state != "withdrawn"
        and loop.call in about
        and (not drugs or loop.slots.get("drug") in drugs)
        and (not stations or {loop.to, loop.sender} & stations)
    ]
    called = {loop.fact for loop, _ in pairs}
    waited = {
        event.partition(":")[0]
        for rule in protocol.rule
        if rule.id in held
        for event in (*rule.first, *rule.then)
    }
    happened = any(
        events and name.partition(":")[0] in waited for name, events in view.events.items()
    )
    return Shown(
        title=title,
        typed=typed,
        about=about,
        loops=tuple(loop for loop, _ in pairs),
        shares=of_loops(pairs),
        rules=held,
        broken=tuple(
            found
            for found in view.findings
            if found.rule in held or not called.isdisjoint(found.facts)
        ),
        tested=happened,
    )


_SAYS_NOTHING = (
    "the and for with from that this each every all are was were has have been before after into over team"
    " call called said out who how when then than their them they must should will give given first time"
    " clear clearly use used"
)
_IDLE = frozenset(word.rstrip("s") for word in _SAYS_NOTHING.split())
"""Words that tell no call from another."""

_LOOPS = frozenset(
    {"loop", "loops", "closed", "closing", "readback", "readbacks", "read", "orders"}
)
"""Words that speak of every order."""


def _named(
    protocol: Protocol, text: str
) -> tuple[tuple[str, ...], tuple[str, ...], frozenset[str], frozenset[str]]:
    """Return the ids of the calls, rules, drugs and stations that free words name."""
    words = _words(text)
    drugs = frozenset(d.id for d in protocol.drug if words & _words(f"{d.id} {' '.join(d.spoken)}"))
    stations = frozenset(
        s.id for s in protocol.station if _words(s.title or s.id) <= words and s.title
    )
    rest = words - {word for s in stations for word in _words(protocol.stations[s].title)}
    calls = [c.id for c in protocol.call if rest & _words(f"{c.title} {c.id}")]
    rules = tuple(r.id for r in protocol.rule if rest & _words(f"{r.title} {r.id}"))
    if drugs:
        dosed = [c.id for c in protocol.call if "drug" in c.slots]
        calls = [c for c in calls if c in dosed] or dosed
    elif not calls and (rest & _LOOPS or stations):
        calls = [c.id for c in protocol.call if c.is_order]
    return tuple(calls), rules, drugs, stations


def _words(text: str) -> frozenset[str]:
    found = (word.rstrip("s") for word in re.findall(r"[^\W_]+", text.lower().replace("-", " ")))
    return frozenset(word for word in found if len(word) > 2) - _IDLE
