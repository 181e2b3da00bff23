"""Takes back the effects of a call that was disregarded, corrected away, or corrected in place."""

from __future__ import annotations

from dataclasses import replace

from grammar.case.checklist import ChecklistProgress
from grammar.case.effects import apply
from grammar.case.state import State
from grammar.case.view import Utterance
from grammar.protocol.model import Protocol

LOOK_BACK = 60
"""Log lines searched backwards for the last call of a voice."""


def utterance_of(state: State, fact: int) -> Utterance | None:
    """Return the utterance that a fact became, or None."""
    for line in reversed(state.log):
        if line.fact == fact:
            return line.utterance
    return None


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


def without(state: State, fact: int) -> State:
    """Return the state without the effects of a call that was disregarded or corrected away."""
    said = utterance_of(state, fact)
    return replace(
        state,
        withdrawn=state.withdrawn | {fact},
        timers=tuple(
            replace(timer, completed=None, ended_by=None) if timer.ended_by == fact else timer
            for timer in state.timers
            if timer.fact != fact
        ),
        tasks=tuple(
            replace(task, withdrawn=True)
            if task.fact == fact
            else replace(task, done=None, done_fact=None)
            if task.done_fact == fact
            else task
            for task in state.tasks
        ),
        doses=tuple(dose for dose in state.doses if dose.fact != fact),
        records=tuple(call for call in state.records if call.fact != fact),
        vitals=tuple(sign for sign in state.vitals if sign.fact != fact),
        checklists=tuple(_unticked(one, said) for one in state.checklists)
        if said
        else state.checklists,
        findings=tuple(found for found in state.findings if fact not in found.facts),
        events={
            name: tuple(event for event in events if event.fact != fact)
            for name, events in state.events.items()
        },
        unsure=tuple(utterance for utterance in state.unsure if utterance.fact != fact),
    )


def _unticked(progress: ChecklistProgress, said: Utterance) -> ChecklistProgress:
    if progress.completed == said.t and said.call is not None:
        return replace(progress, completed=None)
    if said.fact not in progress.facts:
        return progress
    return replace(
        progress,
        answered={item: t for item, t in progress.answered.items() if t != said.t},
        facts=tuple(fact for fact in progress.facts if fact != said.fact),
    )


def with_slots(protocol: Protocol, state: State, loop_id: int, *, unsure: bool) -> State:
    """Return the state after a loop's call was corrected in place: its effects are those of its
    slots now.

    A correction heard with doubt takes the old effects away; the new ones wait for a read-back.
    """
    loop = next((loop for loop in reversed(state.loops) if loop.id == loop_id), None)
    said = utterance_of(state, loop.fact) if loop else None
    if loop is None or said is None or said.call is None:
        return state
    before = {task.call: task for task in state.tasks if task.fact == loop.fact}
    cleared = without(state, loop.fact)
    cleared = replace(
        cleared,
        withdrawn=state.withdrawn,
        tasks=tuple(task for task in cleared.tasks if task.fact != loop.fact),
    )
    corrected = replace(said, slots=loop.slots)
    if unsure:
        return replace(cleared, unsure=(*cleared.unsure, corrected))
    applied = apply(protocol, cleared, corrected)
    return replace(
        applied,
        tasks=tuple(
            replace(task, done=before[task.call].done, done_fact=before[task.call].done_fact)
            if task.fact == loop.fact and task.call in before
            else task
            for task in applied.tasks
        ),
    )
