"""Decides which loop an utterance opens, answers, repeats, holds or withdraws.

One step takes the loops so far and one utterance, and gives the loops after it and the role of the
utterance. The rules are those of closed-loop communication (AHRQ TeamSTEPPS, "Check-Back") and of
radio practice (ICAO Doc 9432, chapter 2).
"""

from __future__ import annotations

from functools import lru_cache

from grammar.case.loop_step import (
    LoopInput,
    Loops,
    Outcome,
    by_other,
    close_loop,
    live,
    mine,
    names_of,
    put,
    rejectable,
    who,
)
from grammar.case.loops import Loop, differences, is_number, repeated
from grammar.case.proword_step import acknowledge, proword
from grammar.language.meaning import NO_SLOTS, Reading, Slots
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

_outcome, _loop = quick(Outcome), quick(Loop)

DOUBTFUL_CORRECTION = "correction in doubt"
"""Flag of a correction heard with doubt, and of the loop that it would change."""


def hear(protocol: Protocol, loops: Loops, said: LoopInput) -> Outcome:
    """Return the loops after one utterance, and the role it played."""
    meaning = said.meaning
    match meaning.kind:
        case "unrecognised":
            return _outcome(loops, "unrecognised")
        case "proword":
            return proword(protocol, loops, said)
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


# ---------------------------------------------------------------------- short read-backs


def _answer(protocol: Protocol, loops: Loops, said: LoopInput) -> Outcome:
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
    return _readback(protocol, loops, loop, said, slots=slots)


def _fit(protocol: Protocol, loop: Loop, said: LoopInput, slots: Slots) -> tuple[float, ...]:
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


def _readback(
    protocol: Protocol, loops: Loops, loop: Loop, said: LoopInput, *, slots: Slots
) -> Outcome:
    names = names_of(protocol, loop)
    wrong = differences(loop.slots, slots, names)
    if said.unsure:
        doubtful = put(loops, loop.flagged("unsure answer"))
        return _outcome(doubtful, "read-back", loop=loop.id, call=loop.call, slots=slots)
    if wrong and DOUBTFUL_CORRECTION in loop.flags:
        # It may agree with the correction: nobody is wrong before that is settled.
        return _outcome(loops, "read-back", loop=loop.id, call=loop.call, slots=slots)
    if wrong:
        if loop.status == "answered":
            return _outcome(
                loops, "read-back", loop=loop.id, call=loop.call, slots=slots, flags=("differs",)
            )
        differing = replaced(
            loop, status="differs", differing=slots, differing_fact=said.fact, stand_by_since=None
        )
        flagged = differing.flagged(*who(loop, said), "differed")
        return _outcome(
            put(loops, flagged),
            "read-back",
            loop=loop.id,
            call=loop.call,
            slots=slots,
            flags=("differs",),
        )
    missing = {name for name in names if name in loop.slots and name != "unit"} - set(slots)
    if missing:
        call = protocol.calls[loop.call]
        numbers = {name for name in names if is_number(loop.slots.get(name))}
        # Where a bare "copy" would do, "copy, ketamine in" does; else all numbers must come back.
        enough = call.readback == "key" and bool(numbers) and numbers <= set(slots)
        if not enough and call.readback != "acknowledge":
            partly = put(loops, loop.flagged("partly read back"))
            return _outcome(partly, "read-back", loop=loop.id, call=loop.call, slots=slots)
        loop = loop.flagged("partly read back")
    return close_loop(protocol, loops, loop, said, role="read-back", slots=slots)


def _put_right(loops: Loops, loop: Loop, said: LoopInput, slots: Slots) -> Outcome:
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
            loop=loop.id,
            call=loop.call,
            slots=slots,
            flags=(DOUBTFUL_CORRECTION,),
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
    return _outcome(
        put(loops, again),
        "proword",
        loop=loop.id,
        call=loop.call,
        slots=slots,
        changed=bool(changed),
    )


# ---------------------------------------------------------------------- whole calls


def _call(protocol: Protocol, loops: Loops, said: LoopInput) -> Outcome:
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
            return _opened(protocol, put(loops, gone), said, reading=reading, corrected=corrected)
        if said.before and said.before.loop is None and said.before.call == reading.call:
            return _opened(protocol, loops, said, reading=reading, corrected=said.before.fact)
    for loop in (x for x in same if x.status != "closed"):
        if _another_attempt(protocol, loop, said):
            continue
        outcome = _same_call(protocol, loops, loop, said, reading=reading)
        if outcome:
            return outcome
    if said.meaning.said("confirm"):
        # A question about what nobody called: it starts nothing.
        return _outcome(
            loops, "read-back", call=reading.call, slots=reading.slots, flags=("no call",)
        )
    return _opened(protocol, loops, said, reading=reading, corrected=corrected)


def _another_attempt(protocol: Protocol, loop: Loop, said: LoopInput) -> bool:
    """Return whether an attempt is called again: after the window of the last call it is another
    attempt, and no late answer to it, unless it is said to be one."""
    late = said.t > loop.deadline and loop.stand_by_since is None
    answering = said.meaning.said("acknowledge", "affirm", "i-say-again")
    return protocol.calls[loop.call].record == "attempt" and late and not answering


def _same_call(
    protocol: Protocol, loops: Loops, loop: Loop, said: LoopInput, *, reading: Reading
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
        return _readback(protocol, loops, loop, said, slots=slots)
    in_time = said.t <= loop.deadline or loop.stand_by_since is not None
    unlike = len(wrong) > 1 and said.sender is None
    acknowledged = said.meaning.said("acknowledge", "affirm")
    if in_time and not addressed_alike and (acknowledged or not unlike):
        return _readback(protocol, loops, loop, said, slots=slots)
    return None


def _repeated(loops: Loops, loop: Loop, said: LoopInput, slots: Slots) -> Outcome:
    """Return the outcome of a call that its caller repeats: it is counted, and its window does not
    begin again."""
    again = replaced(loop, repeats=loop.repeats + 1)
    if loop.unsure and not said.unsure:
        again = replaced(again, unsure=False)
    return _outcome(
        put(loops, again), "call", loop=loop.id, call=loop.call, slots=slots, flags=("repeat",)
    )


def _opened(
    protocol: Protocol,
    loops: Loops,
    said: LoopInput,
    *,
    reading: Reading,
    corrected: int | None,
) -> Outcome:
    call = protocol.calls[reading.call]
    if said.meaning.said("acknowledge"):
        # "Copy, starting attempt": the new call also acknowledges the one before.
        loops = acknowledge(
            protocol,
            loops,
            said,
            [x for x in live(protocol, loops, said) if not mine(x, said) and x.status == "open"],
        ).loops
    if call.readback == "none":
        return _outcome(
            loops, "call", call=call.id, slots=reading.slots, effective=True, withdrawn=corrected
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
        loop=loop.id,
        call=call.id,
        slots=reading.slots,
        effective=True,
        withdrawn=corrected,
    )
