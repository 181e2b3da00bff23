"""Decides which loop an utterance opens, answers, repeats, holds or withdraws.

One step takes the loops so far and one utterance, and gives the loops after it and the role of the
utterance. The rules are those of closed-loop communication (AHRQ TeamSTEPPS, "Check-Back") and of
radio practice (ICAO Doc 9432, chapter 2).
"""

from __future__ import annotations

from functools import lru_cache

from grammar.case.loop_step import (
    Loops,
    Outcome,
    Said,
    addressed,
    by_other,
    live,
    mine,
    names_of,
    newest,
    put,
    rejectable,
    who,
)
from grammar.case.loops import Loop, differences, is_number, repeated
from grammar.case.view import Role
from grammar.language.meaning import NO_SLOTS, Reading, Slots
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

_outcome, _loop = quick(Outcome), quick(Loop)

DOUBTFUL_CORRECTION = "correction in doubt"
"""Flag of a correction heard with doubt, and of the loop that it would change."""


def hear(protocol: Protocol, loops: Loops, said: Said) -> Outcome:
    """Return the loops after one utterance, and the role it played."""
    meaning = said.meaning
    match meaning.kind:
        case "unrecognised":
            return _outcome(loops, "unrecognised")
        case "proword":
            return _proword(protocol, loops, said)
        case "item":
            slots = _item(str(meaning.checklist), str(meaning.item))
            # "Negative, plans agreed" answers no item.
            return _outcome(loops, "call", slots=slots, effective=not meaning.said("negative"))
        case "answer":
            return _answer(protocol, loops, said)
        case "call":
            return _call(protocol, loops, said)


@lru_cache(256)
def _item(checklist: str, item: str) -> Slots:
    """Return the slots of a checklist's item, as one value for all who name it."""
    return {"checklist": checklist, "item": item}


# ---------------------------------------------------------------------- prowords alone


def _proword(protocol: Protocol, loops: Loops, said: Said) -> Outcome:
    meaning = said.meaning
    others = [loop for loop in live(protocol, loops, said) if not mine(loop, said)]
    waiting = [loop for loop in others if loop.status in ("open", "differs")]
    target = addressed(waiting, said)
    if meaning.said("disregard"):
        return _disregard(loops, said)
    if meaning.said("say-again") and target:
        again = replaced(target, asked=said.until, stand_by_since=None).flagged("say again")
        return _outcome(put(loops, again), "proword", target.id, target.call)
    if meaning.said("stand-by") and target:
        return _outcome(
            put(
                loops,
                replaced(target, stand_by_since=said.t, stand_by_fact=said.fact).flagged(
                    "stand by"
                ),
            ),
            "proword",
            target.id,
            target.call,
        )
    if meaning.said("negative"):
        return _rejected(protocol, loops, said)
    if meaning.said("affirm"):
        answered = next((x for x in live(protocol, loops, said) if x.status == "answered"), None)
        if answered and not by_other(answered, said):
            closed = replaced(answered, status="closed", closed=said.t).flagged("confirmed")
            return _outcome(put(loops, closed), "proword", closed.id, closed.call)
    if meaning.said("acknowledge", "affirm"):
        return _acknowledge(protocol, loops, said, waiting)
    return _outcome(loops, "proword")


def _acknowledge(protocol: Protocol, loops: Loops, said: Said, waiting: list[Loop]) -> Outcome:
    accepting = [
        loop
        for loop in waiting
        if loop.status == "open" and protocol.calls[loop.call].readback == "acknowledge"
    ]
    target = addressed(accepting, said)
    if target is None:
        loop = waiting[0] if waiting else None
        if loop is None:
            return _outcome(loops, "acknowledgement")
        # "Copy" reads nothing back: it is noted on the loop, which stays open.
        return _outcome(
            put(loops, loop.flagged("only acknowledged")), "acknowledgement", loop.id, loop.call
        )
    flags = ("ambiguous",) if len(accepting) > 1 else ()
    return _closed(protocol, loops, target, said, "acknowledgement", NO_SLOTS, flags)


def _rejected(protocol: Protocol, loops: Loops, said: Said) -> Outcome:
    """Return the outcome of a caller's "negative" to a read-back: the loop waits again and keeps a
    flag."""
    read_back = [
        loop
        for loop in live(protocol, loops, said, closed=True)
        if loop.status in ("differs", "answered", "closed") and not by_other(loop, said)
    ]
    # A "no" long after an answer that agreed speaks of something else.
    recent = [x for x in read_back if x.answered is None or said.t <= x.answered + x.window_s]
    heard = max(recent, key=lambda loop: rejectable(loop, said), default=None)
    if heard is None:
        return _outcome(loops, "proword")
    again = replaced(
        heard, status="open", asked=said.until, answered=None, closed=None, stand_by_since=None
    ).flagged("differed")
    return _outcome(put(loops, again), "proword", again.id, again.call)


def _disregard(loops: Loops, said: Said) -> Outcome:
    if said.before and said.before.loop is None:
        # A call-out that opens no loop, or a checklist item.
        return _outcome(loops, "proword", call=said.before.call, withdrawn=said.before.fact)
    for loop in newest(loops):
        if loop.status == "withdrawn" or not (mine(loop, said) or said.sender is None):
            continue
        gone = replaced(loop, status="withdrawn", stand_by_since=None)
        return _outcome(put(loops, gone), "proword", loop.id, loop.call, withdrawn=loop.fact)
    return _outcome(loops, "proword")


# ---------------------------------------------------------------------- short read-backs


def _answer(protocol: Protocol, loops: Loops, said: Said) -> Outcome:
    meaning = said.meaning
    readings = {reading.call: reading for reading in meaning.readings}
    fitting = [loop for loop in live(protocol, loops, said, closed=True) if loop.call in readings]
    if meaning.said("correction", "negative"):
        mine_first = [loop for loop in fitting if not by_other(loop, said)]
        if meaning.said("negative"):
            mine_first.sort(key=lambda loop: rejectable(loop, said), reverse=True)
        else:
            mine_first.sort(key=lambda loop: (mine(loop, said), loop.asked), reverse=True)
        if mine_first:
            target = mine_first[0]
            return _put_right(loops, target, said, readings[target.call].slots_after(target.slots))
    waiting = [x for x in fitting if x.status != "closed" and not mine(x, said)]
    ranked = sorted(
        waiting,
        key=lambda loop: _fit(protocol, loop, said, readings[loop.call].slots_after(loop.slots)),
        reverse=True,
    )
    if not ranked:
        reading = meaning.reading
        own_loop = next((x for x in fitting if mine(x, said)), None)
        own = readings[own_loop.call].slots_after(own_loop.slots) if own_loop else NO_SLOTS
        if own_loop and not differences(own_loop.slots, own, names_of(protocol, own_loop)):
            return _repeated(loops, own_loop, said, own)
        slots = reading.slots if reading else NO_SLOTS
        return _outcome(loops, "read-back", slots=slots, flags=("no call",))
    loop = ranked[0]
    slots = readings[loop.call].slots_after(loop.slots)
    return _readback(protocol, loops, loop, said, slots)


def _fit(protocol: Protocol, loop: Loop, said: Said, slots: Slots) -> tuple[float, ...]:
    """Return how well an answer fits a loop: by content, by who was asked, by age. Higher tuples
    fit better."""
    names = names_of(protocol, loop)
    wrong = differences(loop.slots, slots, names)
    right = repeated(loop.slots, slots, names) - wrong
    asked = loop.to is not None and loop.to == said.sender
    in_time = said.t <= loop.deadline or loop.stand_by_since is not None
    return (
        not wrong,
        len(right) - len(wrong),
        asked,
        in_time,
        loop.status != "answered",
        loop.asked,
    )


def _readback(protocol: Protocol, loops: Loops, loop: Loop, said: Said, slots: Slots) -> Outcome:
    names = names_of(protocol, loop)
    wrong = differences(loop.slots, slots, names)
    if said.unsure:
        doubtful = put(loops, loop.flagged("unsure answer"))
        return _outcome(doubtful, "read-back", loop.id, loop.call, slots)
    if wrong and DOUBTFUL_CORRECTION in loop.flags:
        # It may agree with the correction: nobody is wrong before that is settled.
        return _outcome(loops, "read-back", loop.id, loop.call, slots)
    if wrong:
        if loop.status == "answered":
            return _outcome(loops, "read-back", loop.id, loop.call, slots, ("differs",))
        differing = replaced(
            loop, status="differs", differing=slots, differing_fact=said.fact, stand_by_since=None
        )
        flagged = differing.flagged(*who(loop, said), "differed")
        return _outcome(put(loops, flagged), "read-back", loop.id, loop.call, slots, ("differs",))
    missing = {name for name in names if name in loop.slots and name != "unit"} - set(slots)
    if missing:
        call = protocol.calls[loop.call]
        numbers = {name for name in names if is_number(loop.slots.get(name))}
        # Where a bare "copy" would do, "copy, ketamine in" does; else all numbers must come back.
        enough = call.readback == "key" and bool(numbers) and numbers <= set(slots)
        if not enough and call.readback != "acknowledge":
            partly = put(loops, loop.flagged("partly read back"))
            return _outcome(partly, "read-back", loop.id, loop.call, slots)
        loop = loop.flagged("partly read back")
    return _closed(protocol, loops, loop, said, "read-back", slots)


def _put_right(loops: Loops, loop: Loop, said: Said, slots: Slots) -> Outcome:
    """Return the outcome of a caller's correction: "negative, seventy" after a read-back,
    "correction, eighty" before."""
    changed = differences(loop.slots, slots, tuple(slots))
    if said.unsure and changed:
        # Heard with doubt it changes nothing before a person has settled it: a nurse who read the order
        # back rightly would stand there as wrong.
        doubtful = replaced(loop, unsure=loop.unsure or loop.status == "open")
        return _outcome(
            put(loops, doubtful.flagged(DOUBTFUL_CORRECTION)),
            "proword",
            loop.id,
            loop.call,
            slots,
            (DOUBTFUL_CORRECTION,),
        )
    flag = "differed" if loop.status == "differs" or loop.differing else "corrected"
    again = replaced(
        loop,
        slots={**loop.slots, **slots},
        status="open",
        asked=said.until,
        answered=None,
        closed=None,
        stand_by_since=None,
        needed=tuple(name for name in slots if name != "unit"),
        number_unclear=False,
    ).flagged(flag, *(("changed",) if changed else ()))
    return _outcome(put(loops, again), "proword", loop.id, loop.call, slots, changed=bool(changed))


# ---------------------------------------------------------------------- whole calls


def _call(protocol: Protocol, loops: Loops, said: Said) -> Outcome:
    reading = said.meaning.reading
    assert reading is not None  # a meaning of kind "call" always has one
    same = [
        loop
        for loop in live(protocol, loops, said, closed=True)
        if loop.call == reading.call and (loop.status != "closed" or said.meaning.prowords)
    ]
    corrected: int | None = None
    if same and said.meaning.said("negative"):
        target = next((x for x in same if not by_other(x, said)), None)
        if target:
            return _put_right(loops, target, said, reading.slots_after(target.slots))
    if said.meaning.said("correction"):
        own_loop = next((x for x in same if mine(x, said) or None in (x.sender, said.sender)), None)
        if own_loop:
            corrected = own_loop.fact
            gone = replaced(own_loop, status="withdrawn", stand_by_since=None).flagged("corrected")
            return _opened(protocol, put(loops, gone), said, reading, corrected)
        if said.before and said.before.loop is None and said.before.call == reading.call:
            return _opened(protocol, loops, said, reading, said.before.fact)
    for loop in (x for x in same if x.status != "closed"):
        if _another_attempt(protocol, loop, said):
            continue
        outcome = _same_call(protocol, loops, loop, said, reading)
        if outcome:
            return outcome
    if said.meaning.said("confirm"):
        # A question about what nobody called: it starts nothing.
        return _outcome(
            loops, "read-back", call=reading.call, slots=reading.slots, flags=("no call",)
        )
    return _opened(protocol, loops, said, reading, corrected)


def _another_attempt(protocol: Protocol, loop: Loop, said: Said) -> bool:
    """Return whether an attempt is called again: after the window of the last call it is another
    attempt, and no late answer to it, unless it is said to be one."""
    late = said.t > loop.deadline and loop.stand_by_since is None
    answering = said.meaning.said("acknowledge", "affirm", "i-say-again")
    return protocol.calls[loop.call].record == "attempt" and late and not answering


def _same_call(
    protocol: Protocol, loops: Loops, loop: Loop, said: Said, reading: Reading
) -> Outcome | None:
    """Return the outcome of the same call said again, as a repetition or a read-back; None where it
    is a new call."""
    slots = reading.slots_after(loop.slots)
    wrong = differences(loop.slots, slots, names_of(protocol, loop))
    if mine(loop, said) or said.entered or said.meaning.said("i-say-again"):
        return None if wrong else _repeated(loops, loop, said, slots)
    addressed_alike = said.sender is None and loop.to is not None and said.meaning.to == loop.to
    if not wrong:
        if addressed_alike and not said.meaning.said("acknowledge", "affirm"):
            return _repeated(loops, loop, said, slots)
        return _readback(protocol, loops, loop, said, slots)
    in_time = said.t <= loop.deadline or loop.stand_by_since is not None
    unlike = len(wrong) > 1 and said.sender is None
    acknowledged = said.meaning.said("acknowledge", "affirm")
    if in_time and not addressed_alike and (acknowledged or not unlike):
        return _readback(protocol, loops, loop, said, slots)
    return None


def _repeated(loops: Loops, loop: Loop, said: Said, slots: Slots) -> Outcome:
    """Return the outcome of a call that its caller repeats: it is counted, and its window does not
    begin again."""
    again = replaced(loop, repeats=loop.repeats + 1)
    if loop.unsure and not said.unsure:
        again = replaced(again, unsure=False)
    return _outcome(put(loops, again), "call", loop.id, loop.call, slots, ("repeat",))


def _opened(
    protocol: Protocol,
    loops: Loops,
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
            [x for x in live(protocol, loops, said) if not mine(x, said) and x.status == "open"],
        ).loops
    if call.readback == "none":
        return _outcome(
            loops, "call", None, call.id, reading.slots, effective=True, withdrawn=corrected
        )
    loop = _loop(
        id=said.fact,
        call=call.id,
        slots=reading.slots,
        fact=said.fact,
        opened=said.t,
        ended=said.until,
        asked=said.until,
        window_s=protocol.window(call.id),
        to=said.meaning.to,
        sender=said.sender,
        channel=said.channel,
        unsure=said.unsure,
        past=said.past,
    )
    return _outcome(
        loops.plus(loop),
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
    loops: Loops,
    loop: Loop,
    said: Said,
    role: Role,
    slots: Slots,
    flags: tuple[str, ...] = (),
) -> Outcome:
    """Return the loop after an answer that agrees. An unsure answer closes nothing."""
    if said.unsure:
        doubtful = put(loops, loop.flagged("unsure answer"))
        return _outcome(doubtful, role, loop.id, loop.call, slots, flags)
    if loop.status == "answered":
        if by_other(loop, said):
            return _outcome(loops, role, loop.id, loop.call, slots, (*flags, "repeat"))
        closed = replaced(loop, status="closed", closed=said.t).flagged("confirmed")
        return _outcome(put(loops, closed), role, loop.id, loop.call, slots, flags)
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
    return _outcome(put(loops, done), role, loop.id, loop.call, slots, flags, settled=settled)
