"""Which loop an utterance opens, answers, repeats, holds or withdraws.

One step: the loops so far and what was said give the loops after it and the part the utterance
played. The rules are those of closed-loop communication (AHRQ TeamSTEPPS, "Check-Back") and of radio
practice (ICAO Doc 9432, chapter 2).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from grammar.loops import Loop, deciding, differences, is_number, repeated
from grammar.meaning import Meaning, Reading, Slots
from grammar.protocol import Protocol
from grammar.view import Role

RECENT = 60
"""Loops looked back at for an answer; older ones are beyond any window."""


@dataclass(frozen=True, slots=True)
class Said:
    """One utterance as the loops see it. Times in seconds on the case's clock."""

    fact: int
    t: float
    until: float
    channel: int
    meaning: Meaning
    sender: str | None
    unsure: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """The part an utterance played, and the loops after it."""

    loops: tuple[Loop, ...]
    role: Role
    loop: int | None = None
    call: str | None = None
    slots: Slots = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    effective: bool = False
    """A new call, whose effects on the case count."""
    withdrawn: int | None = None
    """The fact whose effects no longer count: disregarded, or corrected away."""
    settled: int | None = None
    """A loop that an agreeing read-back has just closed."""


def hear(protocol: Protocol, loops: tuple[Loop, ...], said: Said) -> Outcome:
    """The step for one utterance."""
    meaning = said.meaning
    match meaning.kind:
        case "unrecognised":
            return Outcome(loops, "unrecognised")
        case "proword":
            return _proword(protocol, loops, said)
        case "item":
            slots = {"checklist": str(meaning.checklist), "item": str(meaning.item)}
            return Outcome(loops, "call", slots=slots, effective=True)
        case "answer":
            return _answer(protocol, loops, said)
        case "call":
            return _call(protocol, loops, said)


# ---------------------------------------------------------------------- prowords alone


def _proword(protocol: Protocol, loops: tuple[Loop, ...], said: Said) -> Outcome:
    meaning = said.meaning
    others = [loop for loop in _live(protocol, loops, said) if not _mine(loop, said)]
    waiting = [loop for loop in others if loop.status in ("open", "differs")]
    target = _addressed(waiting, said)
    if meaning.said("disregard"):
        return _disregard(loops, said)
    if meaning.said("say-again") and target:
        again = replace(target, asked=said.until, held=None).flagged("say again")
        return Outcome(_put(loops, again), "proword", target.id, target.call)
    if meaning.said("stand-by") and target:
        return Outcome(
            _put(loops, replace(target, held=said.t).flagged("stand by")),
            "proword",
            target.id,
            target.call,
        )
    if meaning.said("negative"):
        return _rejected(protocol, loops, said)
    if meaning.said("affirm"):
        answered = next((x for x in _live(protocol, loops, said) if x.status == "answered"), None)
        if answered and not _answerer(answered, said):
            closed = replace(answered, status="closed", closed=said.t).flagged("confirmed")
            return Outcome(_put(loops, closed), "proword", closed.id, closed.call)
    if meaning.said("acknowledge", "affirm"):
        return _acknowledge(protocol, loops, said, waiting)
    return Outcome(loops, "proword")


def _acknowledge(
    protocol: Protocol, loops: tuple[Loop, ...], said: Said, waiting: list[Loop]
) -> Outcome:
    accepting = [
        loop
        for loop in waiting
        if loop.status == "open" and protocol.calls[loop.call].readback == "acknowledge"
    ]
    target = _addressed(accepting, said)
    if target is None:
        loop = waiting[0] if waiting else None
        if loop is None:
            return Outcome(loops, "acknowledgement")
        # "Copy" reads nothing back: it is noted on the loop, which stays open.
        return Outcome(
            _put(loops, loop.flagged("only acknowledged")), "acknowledgement", loop.id, loop.call
        )
    flags = ("ambiguous",) if len(accepting) > 1 else ()
    return _closed(protocol, loops, target, said, "acknowledgement", {}, flags)


def _rejected(protocol: Protocol, loops: tuple[Loop, ...], said: Said) -> Outcome:
    """The caller says "negative" to a read-back: the loop waits again, and remembers."""
    heard = next(
        (
            loop
            for loop in _live(protocol, loops, said, closed=True)
            if loop.status in ("differs", "answered", "closed") and not _answerer(loop, said)
        ),
        None,
    )
    if heard is None:
        return Outcome(loops, "proword")
    again = replace(
        heard, status="open", asked=said.until, answered=None, closed=None, held=None
    ).flagged("differed")
    return Outcome(_put(loops, again), "proword", again.id, again.call)


def _disregard(loops: tuple[Loop, ...], said: Said) -> Outcome:
    for loop in _newest(loops):
        if loop.status == "withdrawn" or not (_mine(loop, said) or said.sender is None):
            continue
        gone = replace(loop, status="withdrawn")
        return Outcome(_put(loops, gone), "proword", loop.id, loop.call, withdrawn=loop.fact)
    return Outcome(loops, "proword")


# ---------------------------------------------------------------------- short read-backs


def _answer(protocol: Protocol, loops: tuple[Loop, ...], said: Said) -> Outcome:
    meaning = said.meaning
    readings = {reading.call: reading.slots for reading in meaning.readings}
    fitting = [loop for loop in _live(protocol, loops, said, closed=True) if loop.call in readings]
    if meaning.said("correction", "negative"):
        target = next((loop for loop in fitting if not _answerer(loop, said)), None)
        if target:
            return _put_right(loops, target, said, readings[target.call])
    waiting = [x for x in fitting if x.status != "closed" and not _mine(x, said)]
    ranked = sorted(
        waiting,
        key=lambda loop: _fit(protocol, loop, said, readings[loop.call]),
        reverse=True,
    )
    if not ranked:
        reading = meaning.reading
        mine = next((x for x in fitting if _mine(x, said)), None)
        if mine and not differences(mine.slots, readings[mine.call], _names(protocol, mine)):
            return _repeated(loops, mine, said, readings[mine.call])
        slots = reading.slots if reading else {}
        return Outcome(loops, "read-back", slots=slots, flags=("no call",))
    loop = ranked[0]
    return _readback(protocol, loops, loop, said, readings[loop.call])


def _fit(protocol: Protocol, loop: Loop, said: Said, slots: Slots) -> tuple[float, ...]:
    """How well an answer fits a loop: by content, by who was asked, by age."""
    names = _names(protocol, loop)
    wrong = differences(loop.slots, slots, names)
    right = repeated(loop.slots, slots, names) - wrong
    asked = loop.to is not None and loop.to == said.sender
    in_time = said.t <= loop.deadline or loop.held is not None
    return (
        not wrong,
        len(right) - len(wrong),
        asked,
        in_time,
        loop.status != "answered",
        loop.asked,
    )


def _readback(
    protocol: Protocol, loops: tuple[Loop, ...], loop: Loop, said: Said, slots: Slots
) -> Outcome:
    names = _names(protocol, loop)
    wrong = differences(loop.slots, slots, names)
    if said.unsure:
        doubtful = _put(loops, loop.flagged("unsure answer"))
        return Outcome(doubtful, "read-back", loop.id, loop.call, slots)
    if wrong:
        if loop.status == "answered":
            return Outcome(loops, "read-back", loop.id, loop.call, slots, ("differs",))
        differing = replace(
            loop, status="differs", differing=slots, differing_fact=said.fact, held=None
        )
        flagged = differing.flagged(*_who(loop, said), "differed")
        return Outcome(_put(loops, flagged), "read-back", loop.id, loop.call, slots, ("differs",))
    missing = {name for name in names if name in loop.slots and name != "unit"} - set(slots)
    if missing:
        call = protocol.calls[loop.call]
        numbers = {name for name in names if is_number(loop.slots.get(name))}
        # Where a bare "copy" would do, "copy, ketamine in" does; else all numbers must come back.
        enough = call.readback == "key" and bool(numbers) and numbers <= set(slots)
        if not enough and call.readback != "acknowledge":
            partly = _put(loops, loop.flagged("partly read back"))
            return Outcome(partly, "read-back", loop.id, loop.call, slots)
        loop = loop.flagged("partly read back")
    return _closed(protocol, loops, loop, said, "read-back", slots)


def _put_right(loops: tuple[Loop, ...], loop: Loop, said: Said, slots: Slots) -> Outcome:
    """The caller corrects: "negative, seventy" after a wrong read-back, "correction, eighty" before."""
    changed = differences(loop.slots, slots, tuple(slots))
    flag = "differed" if loop.status == "differs" or loop.differing else "corrected"
    again = replace(
        loop,
        slots={**loop.slots, **slots},
        status="open",
        asked=said.until,
        answered=None,
        closed=None,
        held=None,
        needed=tuple(name for name in slots if name != "unit"),
    ).flagged(flag, *(("changed",) if changed else ()))
    return Outcome(_put(loops, again), "proword", loop.id, loop.call, slots)


# ---------------------------------------------------------------------- whole calls


def _call(protocol: Protocol, loops: tuple[Loop, ...], said: Said) -> Outcome:
    reading = said.meaning.reading
    assert reading is not None  # a meaning of kind "call" always has one
    same = [
        loop
        for loop in _live(protocol, loops, said, closed=True)
        if loop.call == reading.call and (loop.status != "closed" or said.meaning.prowords)
    ]
    corrected: int | None = None
    if same and said.meaning.said("negative"):
        target = next((x for x in same if not _answerer(x, said)), None)
        if target:
            return _put_right(loops, target, said, reading.slots)
    if said.meaning.said("correction"):
        mine = next((x for x in same if _mine(x, said) or None in (x.sender, said.sender)), None)
        if mine:
            corrected = mine.fact
            loops = _put(loops, replace(mine, status="withdrawn").flagged("corrected"))
            return _opened(protocol, loops, said, reading, corrected)
    for loop in (x for x in same if x.status != "closed"):
        outcome = _same_call(protocol, loops, loop, said, reading)
        if outcome:
            return outcome
    return _opened(protocol, loops, said, reading, corrected)


def _same_call(
    protocol: Protocol, loops: tuple[Loop, ...], loop: Loop, said: Said, reading: Reading
) -> Outcome | None:
    """The same call once more: its caller repeating it, or its read-back, or (None) a new call."""
    wrong = differences(loop.slots, reading.slots, _names(protocol, loop))
    if _mine(loop, said) or said.meaning.said("i-say-again"):
        return None if wrong else _repeated(loops, loop, said, reading.slots)
    addressed_alike = said.sender is None and loop.to is not None and said.meaning.to == loop.to
    if not wrong:
        if addressed_alike and not said.meaning.said("acknowledge", "affirm"):
            return _repeated(loops, loop, said, reading.slots)
        return _readback(protocol, loops, loop, said, reading.slots)
    in_time = said.t <= loop.deadline or loop.held is not None
    unlike = len(wrong) > 1 and said.sender is None
    acknowledged = said.meaning.said("acknowledge", "affirm")
    if in_time and not addressed_alike and (acknowledged or not unlike):
        return _readback(protocol, loops, loop, said, reading.slots)
    return None


def _repeated(loops: tuple[Loop, ...], loop: Loop, said: Said, slots: Slots) -> Outcome:
    """Repeating oneself is counted, and restarts nothing."""
    again = replace(loop, repeats=loop.repeats + 1)
    if loop.unsure and not said.unsure:
        again = replace(again, unsure=False)
    return Outcome(_put(loops, again), "call", loop.id, loop.call, slots, ("repeat",))


def _opened(
    protocol: Protocol,
    loops: tuple[Loop, ...],
    said: Said,
    reading: Reading,
    corrected: int | None,
) -> Outcome:
    call = protocol.calls[reading.call]
    if said.meaning.said("acknowledge"):
        # "Copy, starting attempt": the new call also acknowledges the one before.
        loops = _acknowledge(
            protocol,
            loops,
            said,
            [x for x in _live(protocol, loops, said) if not _mine(x, said) and x.status == "open"],
        ).loops
    if call.readback == "none":
        return Outcome(
            loops, "call", None, call.id, reading.slots, effective=True, withdrawn=corrected
        )
    loop = Loop(
        id=said.fact,
        call=call.id,
        slots=reading.slots,
        fact=said.fact,
        opened=said.t,
        asked=said.until,
        window_s=protocol.window(call.id),
        to=said.meaning.to,
        sender=said.sender,
        channel=said.channel,
        unsure=said.unsure,
    )
    return Outcome(
        (*loops, loop),
        "call",
        loop.id,
        call.id,
        reading.slots,
        effective=True,
        withdrawn=corrected,
    )


# ---------------------------------------------------------------------- shared


def _closed(
    protocol: Protocol,
    loops: tuple[Loop, ...],
    loop: Loop,
    said: Said,
    role: Role,
    slots: Slots,
    flags: tuple[str, ...] = (),
) -> Outcome:
    """The loop after an answer that agrees. An unsure answer closes nothing."""
    if said.unsure:
        doubtful = _put(loops, loop.flagged("unsure answer"))
        return Outcome(doubtful, role, loop.id, loop.call, slots, flags)
    if loop.status == "answered":
        if _answerer(loop, said):
            return Outcome(loops, role, loop.id, loop.call, slots, (*flags, "repeat"))
        closed = replace(loop, status="closed", closed=said.t).flagged("confirmed")
        return Outcome(_put(loops, closed), role, loop.id, loop.call, slots, flags)
    waits = protocol.calls[loop.call].confirm
    late = said.t > loop.deadline and loop.held is None
    done = replace(
        loop,
        status="answered" if waits else "closed",
        answered=said.t,
        closed=None if waits else said.t,
        answer_fact=said.fact,
        late=loop.late or late,
        held=None,
        needed=(),
        unsure=loop.unsure and role != "read-back",
    ).flagged(*flags, *_who(loop, said), *(("late",) if late else ()))
    settled = loop.id if role == "read-back" else None
    return Outcome(_put(loops, done), role, loop.id, loop.call, slots, flags, settled=settled)


def _who(loop: Loop, said: Said) -> tuple[str, ...]:
    if said.sender is None or loop.sender is None:
        return ("speaker unknown",)
    if loop.to is not None and loop.to != said.sender:
        return ("by another",)
    return ()


def _names(protocol: Protocol, loop: Loop) -> tuple[str, ...]:
    return loop.needed or deciding(protocol.calls[loop.call])


def _mine(loop: Loop, said: Said) -> bool:
    """Whether the utterance comes from the station that made the call, as far as is known."""
    return said.sender is not None and said.sender == loop.sender


def _answerer(loop: Loop, said: Said) -> bool:
    """Whether the speaker is known to be another than the caller."""
    return said.sender is not None and loop.sender is not None and said.sender != loop.sender


def _newest(loops: tuple[Loop, ...]) -> Iterator[Loop]:
    return reversed(loops[-RECENT:])


def _live(
    protocol: Protocol, loops: tuple[Loop, ...], said: Said, *, closed: bool = False
) -> list[Loop]:
    """Loops that can still be answered, newest first; `closed` adds those just closed."""
    found = []
    for loop in _newest(loops):
        if loop.status == "withdrawn" or (loop.status == "closed" and not closed):
            continue
        if loop.held is not None or said.t <= loop.deadline + protocol.protocol.late_s:
            found.append(loop)
    return found


def _addressed(loops: list[Loop], said: Said) -> Loop | None:
    """Of loops newest first: the one that asked the speaker, else an addressed one, else the newest."""
    asked = [loop for loop in loops if loop.to is not None and loop.to == said.sender]
    addressed = [loop for loop in loops if loop.to is not None]
    return next(iter(asked or addressed or loops), None)


def _put(loops: tuple[Loop, ...], changed: Loop) -> tuple[Loop, ...]:
    at = next(i for i in range(len(loops) - 1, -1, -1) if loops[i].id == changed.id)
    return (*loops[:at], changed, *loops[at + 1 :])
