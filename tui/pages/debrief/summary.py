"""One case in so many numbers that many cases can be put together without reading them again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass
from pydantic.type_adapter import TypeAdapter

from grammar.case.airway_record import record_of
from grammar.case.loops import Loop
from grammar.reports.handover import trends
from grammar.reports.measures import (
    NAMES,
    Communication,
    Observation,
    Share,
    closed_and_not,
    is_order,
    measured,
    of_announcements,
    of_orders,
    speech,
    times_to_done,
    times_to_read_back,
)
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.passphrase import is_locked
from tui.pages.debrief.analysed_case import first_of
from tui.pages.debrief.moments import Moment, moments

Times = tuple[tuple[float, bool], ...]
"""Seconds to something awaited, and whether it came."""


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid"))
class Counted:
    """One thing that was counted, what it counts for, and the facts it rests on, by `seq`.

    The words themselves are not here: a kept summary holds none, and they stay in the case alone.
    """

    counts: tuple[str, ...]
    """First what it is: `call` (an order that wants an answer), `told` (another call that does), `order`
    (one to be done), `finding`, `attempt` or `wait`. See `COUNTS`, `wait_key`."""
    facts: tuple[int, ...]
    seconds: float | None = None
    """Waited or lasted, where that is known."""
    rule: str = ""
    """The id of the rule that a finding broke, or of the rule or span that says what was waited for."""


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid"))
class Summary:
    """The numbers of a case, as `summarise` derives them. Times in seconds."""

    case: str
    """The folder's name."""
    began: str
    """Local date and time, ISO 8601; empty where the case does not say."""
    protocol: str
    scenario: str
    drill: bool | None
    """True for a drill, False for a real case; None where nobody said."""
    lasted_s: float
    shares: dict[str, tuple[int, int]]
    """Of orders. Field of `Communication` -> count, total."""
    announcements: dict[str, tuple[int, int]]
    """Of announcements and reports that want an answer, likewise."""
    read_back: Times
    """Of orders."""
    read_back_others: Times
    done: Times
    done_closed: Times
    done_not_closed: Times
    waits: dict[str, Times]
    """A rule's title -> its stretches, and whether each ended."""
    lowest: dict[str, float]
    """A vital sign's title with its unit -> the lowest value called."""
    calls: int
    listened_s: float
    spoken_s: float
    attempts: int
    moments: dict[str, int]
    """Kind of moment -> how many."""
    checked: str
    """Whether the case was as it was stored when it was read."""
    altered: bool
    identity: str
    """The same in every copy of the case; "" where that cannot be told."""
    facts: int
    counted: tuple[Counted, ...]
    """The things behind these numbers, in the order of their facts."""


ADAPTER: TypeAdapter[Summary] = TypeAdapter(Summary)
COUNTS: dict[str, str] = {
    "call": "orders that want an answer",
    "clean": "clean loops",
    "late": "answered late",
    "put_right": "put right after a wrong read-back",
    "by_another": "answered by another",
    "never": "never answered rightly",
    "repeated": "said again",
    "directed": "directed at a station",
    "audible": "heard at the first time",
    "closed": "closed by an answer that was heard",
    "answered": "answered in agreement",
    "differed": "read back with another value",
    "told": "announcements and reports that want an answer",
    "told-clean": "of them clean",
    "unanswered": "calls of any kind never answered",
    "order": "orders to be done",
    "done": "done",
    "order-closed": "orders closed",
    "done-closed": "orders closed and done",
    "order-open": "orders not closed",
    "done-open": "orders not closed but done",
    "finding": "rules and limits broken",
    "attempt": "attempts on the airway",
}
"""The numbers that a thing can count for, in words."""


def wait_key(title: str) -> str:
    """Return the number that stretches under a title count for: a word that may stand in a
    stylesheet."""
    return f"wait-{sha256(title.encode()).hexdigest()[:10]}"


def summarise(
    folder: Path, passphrase: str | None = None, *, even_if_altered: bool = False
) -> Summary:
    """Read a case and sum it up. Raises UserError where it cannot be read."""
    passphrase = passphrase if is_locked(folder) else None
    return summary_of(open_case(folder, passphrase, even_if_altered=even_if_altered))


def summary_of(stored: StoredCase) -> Summary:
    """Return a stored case summed up."""
    view = stored.view()
    orders, others = of_orders(stored.protocol, view), of_announcements(stored.protocol, view)
    closed, not_closed = closed_and_not(view)
    spoken = speech(view, stored.of_kinds("gap"))
    found = moments(stored.protocol, view)
    kinds: dict[str, int] = {}
    for moment in found:
        kinds[moment.kind] = kinds.get(moment.kind, 0) + 1
    attempts = record_of(stored.protocol, view).attempts
    waits = measured(stored.protocol, view)
    sets = frozenset(one.facts for one in closed), frozenset(one.facts for one in not_closed)
    tasks = [(one, _order_counts(one, *sets)) for one in times_to_done(view)]

    def asks(loop: Loop) -> bool:
        return is_order(stored.protocol, loop)

    read_back = times_to_read_back(view, asks)
    of_others = times_to_read_back(view, lambda loop: not asks(loop))
    counted = (
        *_calls("call", read_back, {name: getattr(orders, name) for name in NAMES}, found),
        *_calls("told", of_others, {"told-clean": others.clean}, found),
        *(Counted(counts, one.facts, round(one.seconds, 3)) for one, counts in tasks),
        *(Counted(("finding",), one.facts, rule=one.rule) for one in view.findings),
        *(Counted(("attempt",), one.facts, one.length_s) for one in attempts),
        *(
            Counted(("wait", wait_key(each.title)), one.facts, round(one.seconds, 3), each.id)
            for each in waits
            for one in each.stretches
        ),
    )
    started = first_of(stored)
    return Summary(
        case=stored.folder.absolute().name,
        began=started.wall if started else "",
        protocol=stored.protocol.protocol.id,
        scenario=started.scenario if started else "",
        drill=view.drill,
        lasted_s=view.now,
        shares=_plain(orders),
        announcements=_plain(others),
        read_back=_times(read_back),
        read_back_others=_times(of_others),
        done=_times(times_to_done(view)),
        done_closed=_times(closed),
        done_not_closed=_times(not_closed),
        waits={each.title: _times([one.observed for one in each.stretches]) for each in waits},
        lowest={
            f"{trend.title}, {trend.unit}": float(trend.lowest.values[0]) for trend in trends(view)
        },
        calls=spoken.calls,
        listened_s=spoken.listened_s,
        spoken_s=spoken.spoken_s,
        attempts=len(attempts),
        moments=kinds,
        checked=stored.integrity.told,
        altered=bool(stored.integrity.altered),
        identity=stored.identity,
        facts=len(stored.facts),
        counted=tuple(sorted(counted, key=lambda one: one.facts[:1])),
    )


def _plain(found: Communication) -> dict[str, tuple[int, int]]:
    return {name: (getattr(found, name).count, getattr(found, name).total) for name in NAMES}


def _calls(
    kind: str, waited: Sequence[Observation], shares: dict[str, Share], found: Sequence[Moment]
) -> Iterator[Counted]:
    """Yield each call that wants an answer, and each share and moment that counts it."""
    counts = {name: frozenset(part.facts) for name, part in shares.items()}
    counts["unanswered"] = frozenset(m.facts[0] for m in found if m.kind == "unanswered")
    for one in waited:
        names = (name for name, facts in counts.items() if one.facts[0] in facts)
        yield Counted((kind, *names), one.facts, round(one.seconds, 3))


def _order_counts(
    one: Observation,
    closed: frozenset[tuple[int, ...]],
    not_closed: frozenset[tuple[int, ...]],
) -> tuple[str, ...]:
    names = ["order", *(["done"] if one.seen else [])]
    for group, name in ((closed, "closed"), (not_closed, "open")):
        if one.facts in group:
            names += [f"order-{name}", *([f"done-{name}"] if one.seen else [])]
    return tuple(names)


def as_json(found: Summary) -> dict[str, Any]:
    """Return the numbers as plain values."""
    plain: dict[str, Any] = ADAPTER.dump_python(found, mode="json")
    return plain


def observations(times: Times) -> list[Observation]:
    """Return times as the measures take them."""
    return [Observation(seconds, seen) for seconds, seen in times]


def _times(found: list[Observation]) -> Times:
    return tuple((round(one.seconds, 3), one.seen) for one in found)
