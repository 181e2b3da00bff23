"""Takes back the effects of a call that was disregarded, corrected away, or corrected in place."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from operator import attrgetter
from typing import TypeVar

from grammar.case.checklist import ChecklistProgress
from grammar.case.chunked_sequence import ChunkedSequence
from grammar.case.doses import DoseGiven, Task
from grammar.case.effects import apply
from grammar.case.loop_step import place_of
from grammar.case.recorded import RecordedCall
from grammar.case.sequence_rules import Event
from grammar.case.state import State
from grammar.case.timers import Timer, running_of
from grammar.case.view import Utterance, utterance_of
from grammar.case.vitals import VitalSign
from grammar.protocol.model import Call, Protocol
from grammar.replacing import replaced

_fact = attrgetter("fact")

F = TypeVar("F", DoseGiven, Event, RecordedCall, Task, Timer, Utterance, VitalSign)
"""Anything that one fact made."""

LOOK_BACK = 60
"""Log lines searched backwards for the last call of a voice."""


def last_call(state: State, sender: str | None) -> Utterance | None:
    """Return the last call or checklist item of this voice that it has not taken back; None where
    there is none."""
    for line in reversed(state.log[-LOOK_BACK:]):
        said = line.utterance
        if said is None or said.role != "call" or said.fact in state.withdrawn:
            continue
        if said.sender == sender or None in (said.sender, sender):
            return said
    return None


def without(protocol: Protocol, state: State, fact: int) -> State:
    """Return the state without the effects of a call that was disregarded or corrected away.

    All of them came with the fact or after it, so that only the ends of long sequences are looked at.
    """
    said = utterance_of(state.log, fact)
    call = protocol.calls.get(said.call) if said and said.call else None

    def may_have_made(what: object) -> bool:
        """Return whether the call makes such a thing by the protocol; one that nobody knows may."""
        return said is None or (call is not None and bool(what))

    tasks, timers = state.tasks, state.timers
    if may_have_made(call and (call.task or call.id in protocol.reporting)):
        tasks = _tasks_without(state, fact)
    if may_have_made(call and call.effect in ("start-timer", "timer-complete")):
        timers = _timers_without(state, fact, call)
    doses, records, vitals = state.doses, state.records, state.vitals
    return replaced(
        state,
        withdrawn=state.withdrawn | {fact},
        timers=timers,
        running=state.running if timers is state.timers else running_of(timers),
        tasks=tasks,
        pending=pending_of(tasks, state),
        doses=_less(doses, fact) if may_have_made(call and call.effect == "given") else doses,
        records=_less(records, fact) if may_have_made(call and call.record) else records,
        vitals=_less(vitals, fact) if may_have_made(call and call.vital) else vitals,
        checklists=tuple(_unticked(one, said) for one in state.checklists)
        if said
        else state.checklists,
        findings=state.findings.edited(
            lambda found: None if fact in found.facts else found,
            lambda found: max(found.facts, default=0),
            fact,
        ),
        events={
            name: _less(events, fact)
            if said is None or name.partition(":")[0] == said.call
            else events
            for name, events in state.events.items()
        },
        unsure=_less(state.unsure, fact),
    )


def _less(items: ChunkedSequence[F], fact: int) -> ChunkedSequence[F]:
    return items.edited(lambda item: None if item.fact == fact else item, _fact, fact)


def _timers_without(state: State, fact: int, call: Call | None) -> ChunkedSequence[Timer]:
    timers = _less(state.timers, fact)
    if call is not None and call.effect == "timer-complete":
        for at, timer in enumerate(timers):
            if timer.ended_by == fact:
                timers = timers.put(at, replaced(timer, completed=None, ended_by=None))
    return timers


def _tasks_without(state: State, fact: int) -> ChunkedSequence[Task]:
    tasks = state.tasks.edited(
        lambda task: replaced(task, withdrawn=True) if task.fact == fact else task, _fact, fact
    )
    if tasks == state.tasks:
        tasks = state.tasks
    report = state.reports.latest(lambda one: one.fact == fact, lambda one: one.fact < fact)
    for order in report.orders if report else ():
        for at in places_of(tasks, order):
            if tasks[at].done_fact == fact:
                tasks = tasks.put(at, replaced(tasks[at], done=None, done_fact=None))
    return tasks


def places_of(tasks: ChunkedSequence[Task], fact: int) -> list[int]:
    """Return where the tasks of an order stand. All but a few are in the order of their facts."""
    at = bisect_left(tasks, fact, key=lambda task: task.fact)
    if at < len(tasks) and tasks[at].fact == fact:
        return [at]
    return [place for place, task in enumerate(tasks) if task.fact == fact]


def pending_of(tasks: ChunkedSequence[Task], before: State) -> Mapping[str, tuple[int, ...]]:
    """Return the places of the tasks that are neither done nor withdrawn, by their call.

    They are known of those that `before` has as well.
    """
    if tasks is before.tasks:
        return before.pending
    start = tasks.shared(before.tasks)
    found = {
        call: list(places[: bisect_left(places, start)]) for call, places in before.pending.items()
    }
    for at, task in enumerate(tasks[start:], start=start):
        if task.done is None and not task.withdrawn:
            found.setdefault(task.call, []).append(at)
    return {call: tuple(places) for call, places in found.items()}


def _unticked(progress: ChecklistProgress, said: Utterance) -> ChecklistProgress:
    if progress.completed == said.t and said.call is not None:
        return replaced(progress, completed=None)
    if not any(fact == said.fact for fact in progress.facts[-LOOK_BACK:]):
        return progress
    return replaced(
        progress,
        answered={item: t for item, t in progress.answered.items() if t != said.t},
        facts=progress.facts.edited(
            lambda fact: None if fact == said.fact else fact, int, said.fact
        ),
    )


def with_slots(protocol: Protocol, state: State, loop_id: int, *, unsure: bool) -> State:
    """Return the state after a loop's call was corrected in place: its effects are those of its
    slots now.

    A correction heard with doubt takes the old effects away; the new ones wait for a read-back.
    """
    at = place_of(state.loops, loop_id)
    loop = None if at is None else state.loops[at]
    said = utterance_of(state.log, loop.fact) if loop else None
    if loop is None or said is None or said.call is None:
        return state
    before = {
        state.tasks[at].call: state.tasks[at]
        for at in (places_of(state.tasks, loop.fact) if protocol.calls[said.call].task else ())
    }
    cleared = without(protocol, state, loop.fact)
    tasks = _less(cleared.tasks, loop.fact)
    cleared = replaced(
        cleared, withdrawn=state.withdrawn, tasks=tasks, pending=pending_of(tasks, cleared)
    )
    corrected = replaced(said, slots=loop.slots)
    if unsure:
        return replaced(cleared, unsure=cleared.unsure.plus(corrected))
    applied = apply(protocol, cleared, corrected)
    tasks = applied.tasks.edited(
        lambda task: (
            replaced(task, done=before[task.call].done, done_fact=before[task.call].done_fact)
            if task.fact == loop.fact and task.call in before
            else task
        ),
        _fact,
        loop.fact,
    )
    return replaced(applied, tasks=tasks, pending=pending_of(tasks, applied))
