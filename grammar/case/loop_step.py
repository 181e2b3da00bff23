"""The input and the outcome of a step on the loops, and the loops that an utterance may speak of."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import KW_ONLY, dataclass, field

from grammar.case.chunked_sequence import ChunkedSequence
from grammar.case.loops import Loop, deciding
from grammar.case.view import Role, Utterance
from grammar.language.meaning import NO_SLOTS, Meaning, Slots
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

Loops = ChunkedSequence[Loop]
"""All loops in the order of their ids."""

RECENT = 60
"""Loops looked back at for an answer; older ones are beyond any window."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopInput:
    """One utterance as the loops see it. Times in seconds on the case's clock."""

    fact: int
    t: float
    until: float
    channel: int
    meaning: Meaning
    sender: str | None
    unsure: bool
    before: Utterance | None = None
    """The last call of this voice, which "disregard" and "correction" speak of."""
    entered: bool = False
    """A call entered by hand, with nobody named as its speaker: it reads nothing back."""
    past: bool = False
    """Entered by hand as a call of some time before."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The part an utterance played, and the loops after it."""

    loops: Loops
    role: Role
    _: KW_ONLY
    loop: int | None = None
    call: str | None = None
    slots: Slots = field(default_factory=lambda: NO_SLOTS)
    flags: tuple[str, ...] = ()
    effective: bool = False
    """A new call, whose effects on the case count."""
    withdrawn: int | None = None
    """The fact whose effects no longer count: disregarded, or corrected away."""
    settled: int | None = None
    """A loop that an agreeing read-back has just closed."""
    changed: bool = False
    """The loop's call was corrected in place: its effects follow its slots."""


_outcome = quick(Outcome)


def who(loop: Loop, said: LoopInput) -> tuple[str, ...]:
    """Return the flag that a loop takes from who answered; none where the one who was asked did."""
    if said.sender is None or loop.sender is None:
        return ("speaker unknown",)
    if loop.to is not None and loop.to != said.sender:
        return ("by another",)
    return ()


def names_of(protocol: Protocol, loop: Loop) -> tuple[str, ...]:
    """Return the slots that an answer must repeat."""
    return loop.needed or deciding(protocol.calls[loop.call])


def mine(loop: Loop, said: LoopInput) -> bool:
    """Return whether the utterance comes from the station that made the call, as far as is known."""
    return said.sender is not None and said.sender == loop.sender


def by_other(loop: Loop, said: LoopInput) -> bool:
    """Return whether the speaker is known to be another than the caller."""
    return said.sender is not None and loop.sender is not None and said.sender != loop.sender


def newest(loops: Loops) -> Iterator[Loop]:
    """Return the loops that an utterance may still speak of, newest first."""
    return reversed(loops.newest(RECENT))


def live(protocol: Protocol, loops: Loops, said: LoopInput, *, closed: bool = False) -> list[Loop]:
    """Return the loops that can still be answered, newest first; `closed` adds those just closed."""
    late_s, t = protocol.protocol.late_s, said.t
    # Most of those looked at were asked too long ago for any window: that is told first.
    early = t - protocol.longest_window_s - late_s - 1.0
    return [
        loop
        for loop in newest(loops)
        if (loop.asked > early or loop.stand_by_since is not None)
        and (loop.status != "closed" or closed)
        and loop.status != "withdrawn"
        and (loop.stand_by_since is not None or t <= loop.asked + loop.window_s + late_s)
    ]


def addressed(loops: list[Loop], said: LoopInput) -> Loop | None:
    """Return the loop that asked the speaker, else an addressed one, else the newest. `loops` come
    newest first."""
    asked = [loop for loop in loops if loop.to is not None and loop.to == said.sender]
    to_somebody = [loop for loop in loops if loop.to is not None]
    return next(iter(asked or to_somebody or loops), None)


def put(loops: Loops, changed: Loop) -> Loops:
    """Return the loops with `changed` in the place of its id. Raises ValueError where none has it."""
    at = place_of(loops, changed.id)
    if at is None:
        raise ValueError(f"there is no loop {changed.id}")
    return loops.put(at, changed)


def place_of(loops: Loops, loop: int) -> int | None:
    """Return where a loop stands, by its id; None where there is none. Ids only grow."""
    for back, each in enumerate(newest(loops), start=1):
        if each.id <= loop:
            return len(loops) - back if each.id == loop else None
    at = bisect_left(loops, loop, key=lambda each: each.id)
    return at if at < len(loops) and loops[at].id == loop else None


def was_unsure(loops: Loops, outcome: Outcome) -> bool:
    """Return whether the loop that an outcome settles held a call heard with doubt; `loops` are those
    before it."""
    at = None if outcome.settled is None else place_of(loops, outcome.settled)
    return at is not None and loops[at].unsure


def rejectable(loop: Loop, said: LoopInput) -> tuple[bool, bool, float]:
    """Return a sort key for the loop that "negative" speaks of: one that differs, one's own, the
    one answered last."""
    last = loop.asked if loop.answered is None else max(loop.asked, loop.answered)
    return loop.status == "differs", mine(loop, said), last


def close_loop(
    protocol: Protocol,
    loops: Loops,
    loop: Loop,
    said: LoopInput,
    *,
    role: Role,
    slots: Slots,
    flags: tuple[str, ...] = (),
) -> Outcome:
    """Return the outcome of an answer that agrees: its loop is closed, or waits for the caller where the
    protocol wants a confirmation. An unsure answer closes nothing."""
    if said.unsure:
        doubtful = put(loops, loop.flagged("unsure answer"))
        return _outcome(doubtful, role, loop=loop.id, call=loop.call, slots=slots, flags=flags)
    if loop.status == "answered":
        if by_other(loop, said):
            return _outcome(
                loops, role, loop=loop.id, call=loop.call, slots=slots, flags=(*flags, "repeat")
            )
        closed = replaced(loop, status="closed", closed=said.t).flagged("confirmed")
        return _outcome(
            put(loops, closed), role, loop=loop.id, call=loop.call, slots=slots, flags=flags
        )
    waits = protocol.calls[loop.call].confirm
    late = said.t > loop.deadline and loop.stand_by_since is None
    done = replaced(
        loop,
        status="answered" if waits else "closed",
        answered=said.t,
        closed=None if waits else said.t,
        answer_fact=said.fact,
        late=loop.late or late,
        stand_by_since=None,
        needed=(),
        number_unclear=False,
        unsure=loop.unsure and role != "read-back",
    ).flagged(*flags, *who(loop, said), *(("late",) if late else ()))
    settled = loop.id if role == "read-back" else None
    return _outcome(
        put(loops, done),
        role,
        loop=loop.id,
        call=loop.call,
        slots=slots,
        flags=flags,
        settled=settled,
    )
