"""A proword said alone ("copy", "say again", "stand by", "negative", "disregard"): the loop it speaks of.

The words are those of radio practice (ICAO Doc 9432, chapter 2).
"""

from __future__ import annotations

from grammar.case.loop_step import (
    LoopInput,
    Loops,
    Outcome,
    addressed,
    by_other,
    close_loop,
    live,
    mine,
    newest,
    put,
    rejectable,
)
from grammar.case.loops import Loop
from grammar.language.meaning import NO_SLOTS
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

_outcome = quick(Outcome)


def proword(protocol: Protocol, loops: Loops, said: LoopInput) -> Outcome:
    """Return the loops after a proword said alone, and the loop that it speaks of."""
    meaning = said.meaning
    others = [loop for loop in live(protocol, loops, said) if not mine(loop, said)]
    waiting = [loop for loop in others if loop.status in ("open", "differs")]
    target = addressed(waiting, said)
    if meaning.said("disregard"):
        return _disregard(loops, said)
    if meaning.said("say-again") and target:
        again = replaced(target, asked=said.until, stand_by_since=None).flagged("say again")
        return _outcome(put(loops, again), "proword", loop=target.id, call=target.call)
    if meaning.said("stand-by") and target:
        return _outcome(
            put(
                loops,
                replaced(target, stand_by_since=said.t, stand_by_fact=said.fact).flagged(
                    "stand by"
                ),
            ),
            "proword",
            loop=target.id,
            call=target.call,
        )
    if meaning.said("negative"):
        return _rejected(protocol, loops, said)
    if meaning.said("affirm"):
        answered = next((x for x in live(protocol, loops, said) if x.status == "answered"), None)
        if answered and not by_other(answered, said):
            closed = replaced(answered, status="closed", closed=said.t).flagged("confirmed")
            return _outcome(put(loops, closed), "proword", loop=closed.id, call=closed.call)
    if meaning.said("acknowledge", "affirm"):
        return acknowledge(protocol, loops, said, waiting)
    return _outcome(loops, "proword")


def acknowledge(protocol: Protocol, loops: Loops, said: LoopInput, waiting: list[Loop]) -> Outcome:
    """Return the outcome of an acknowledgement: it answers the loop of `waiting` for which the protocol
    takes a bare "copy", and is only noted on another. `waiting` come newest first."""
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
            put(loops, loop.flagged("only acknowledged")),
            "acknowledgement",
            loop=loop.id,
            call=loop.call,
        )
    flags = ("ambiguous",) if len(accepting) > 1 else ()
    return close_loop(
        protocol, loops, target, said, role="acknowledgement", slots=NO_SLOTS, flags=flags
    )


def _rejected(protocol: Protocol, loops: Loops, said: LoopInput) -> Outcome:
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
    return _outcome(put(loops, again), "proword", loop=again.id, call=again.call)


def _disregard(loops: Loops, said: LoopInput) -> Outcome:
    """Return the outcome of a "disregard": the speaker's last call is withdrawn."""
    if said.before and said.before.loop is None:
        # A call-out that opens no loop, or a checklist item.
        return _outcome(loops, "proword", call=said.before.call, withdrawn=said.before.fact)
    for loop in newest(loops):
        if loop.status == "withdrawn" or not (mine(loop, said) or said.sender is None):
            continue
        gone = replaced(loop, status="withdrawn", stand_by_since=None)
        return _outcome(
            put(loops, gone), "proword", loop=loop.id, call=loop.call, withdrawn=loop.fact
        )
    return _outcome(loops, "proword")
