"""A state seen at a moment: what time alone decides is derived, and nothing of it is stored."""

from __future__ import annotations

from grammar.case.answering import DOUBTFUL_CORRECTION
from grammar.case.doses import not_as_ordered, overdue
from grammar.case.loop_step import place_of
from grammar.case.loops import differences
from grammar.case.sequence_rules import Judged
from grammar.case.stand_by import held_too_long
from grammar.case.state import State
from grammar.case.view import HeardUpTo, Utterance, View, utterance_of
from grammar.protocol.model import Protocol


def view_of(
    protocol: Protocol,
    state: State,
    now: float,
    *,
    judged: Judged | None = None,
    heard: HeardUpTo | None = None,
) -> View:
    """Return the case at `now`, seconds on its clock. `judged` is the verdict of the rules, if known.

    With `heard`, nobody is said to have left out what may have been said and is not told yet: that is
    judged as of `known_at`, and only what is running (timers) as of `now`.
    """
    known = known_at(now, heard)
    broken, countdowns = (judged or Judged.at(protocol.rule, state.events, known)).found
    late = overdue(protocol, state.tasks, known)
    held = tuple(found for loop in state.loops for found in held_too_long(protocol, loop, known))
    otherwise = not_as_ordered(state.tasks, state.doses)
    findings = sorted(
        (*state.findings, *broken, *late, *held, *otherwise), key=lambda found: found.t
    )
    return View(
        now=now,
        loops=tuple((loop, loop.state(now, known)) for loop in state.loops),
        timers=tuple((timer, timer.state(now)) for timer in state.timers),
        tasks=tuple((task, task.state(known)) for task in state.tasks),
        doses=tuple(state.doses),
        vitals=tuple(state.vitals),
        checklists=state.checklists,
        findings=tuple(findings),
        countdowns=countdowns,
        records=tuple(state.records),
        log=state.log,
        weight_kg=state.weight_kg,
        recording=state.recording,
        ended=state.ended,
        unsure=_unsure(state, now),
        possible_help=tuple(state.possible_help),
        drill=state.drill,
        events={name: tuple(events) for name, events in state.events.items()},
        heard=heard,
    )


def known_at(now: float, heard: HeardUpTo | None) -> float:
    """Return the moment up to which all that was said is told, seconds: `now` where nothing is still to be
    heard."""
    return now if heard is None else min(now, heard.told)


TO_NOTHING_S = 120.0
"""Seconds for which a doubtful read-back that answers nothing waits for somebody."""


def _unsure(state: State, now: float) -> tuple[Utterance, ...]:
    """Return utterances heard with doubt that still wait for someone. An answer waits as long as its
    loop; a number that sounds like another waits where a person heard an answer and not the number."""
    unclear = [loop.fact for loop in state.loops if loop.number_unclear and loop.status == "closed"]
    if not state.unsure and not state.unsure_answers and not unclear:
        return ()
    answers = (said for said in state.unsure_answers if _waits(state, said, now))
    # A call corrected in place with doubt stands here too, under its correction's fact.
    calls = (said for said in state.unsure if said.unsure)
    found = {said.fact: said for said in (*calls, *answers)}
    for fact in unclear:
        call = utterance_of(state.log, fact)
        if call is not None:
            found.setdefault(fact, call)
    return tuple(found[fact] for fact in sorted(found))


def _waits(state: State, said: Utterance, now: float) -> bool:
    if DOUBTFUL_CORRECTION in said.flags:
        return True
    if said.loop is None:
        return now - said.until <= TO_NOTHING_S
    at = place_of(state.loops, said.loop)
    if at is None:
        return False
    loop = state.loops[at]
    if loop.status in ("open", "answered", "differs"):
        return True
    # "An answer was heard" does not say that it agreed.
    by_hand = loop.status == "closed" and "by hand" in loop.flags
    return by_hand and bool(differences(loop.slots, said.slots, tuple(said.slots)))
