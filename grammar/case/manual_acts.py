"""Applies a person's acts at the keyboard to the case, and puts them into words for the log."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from grammar.case.checklist import ChecklistProgress
from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    Confirmed,
    Entered,
    Fact,
    Heard,
    Noted,
    RecordingSet,
    SpeakerSet,
    Ticked,
    TimerChanged,
    VoiceAgreed,
    WeightSet,
    Withdrawn,
)
from grammar.case.loop_step import place_of
from grammar.case.loops import Loop, differences
from grammar.case.stand_by import held_long
from grammar.case.state import State
from grammar.case.timers import running_of
from grammar.case.view import OtherLine, utterance_of
from grammar.protocol.model import Protocol, decimal
from grammar.times import clock, duration, number

MARK = "marked for the debrief"
"""The text of a mark that nobody put into words."""


def answered_by_hand(protocol: Protocol, state: State, fact: AnsweredByHand) -> State:
    """Return the state after a person saw or heard the answer to a loop. One that is over stays as
    it is. A number that sounds like another stays unclear: nobody said which of them was read back."""
    at = place_of(state.loops, fact.loop)
    if at is None or state.loops[at].status in ("closed", "withdrawn"):
        return state
    was = state.loops[at]
    closed = replace(
        was,
        status="closed",
        answered=fact.t,
        closed=fact.t,
        answer_fact=fact.seq,
        stand_by_since=None,
        late=was.late or fact.t > was.deadline,
        number_unclear=was.status != "answered" and _number_unclear(state, was),
    ).flagged("by hand")
    loops = state.loops.put(at, closed)
    held = held_long(protocol, state.loops, loops, loop=fact.loop, t=fact.t)
    own_timer = fact.t == was.opened if fact.own_timer is None else fact.own_timer
    timers = (i for i, x in enumerate(state.timers) if x.by_hand and x.fact == was.id)
    timer = next(timers, None) if own_timer else None
    if timer is not None:
        # A timer of the recorder's own, started in the same act: nobody called it, so that it is no loop
        # at all, and no measure counts it as one that was closed.
        own = state.loops.edited(
            lambda loop: None if loop.id == was.id else loop, lambda loop: loop.id, was.id
        )
        marked = state.timers.put(timer, replace(state.timers[timer], own=True))
        return replace(state, loops=own, timers=marked)
    called = f"called at {clock(was.opened)}"
    though = ", though it was read back otherwise" if was.status == "differs" else ""
    state = replace(state, loops=loops, findings=state.findings.plus_all(held))
    return _told(state, fact, f"answer heard: {protocol.calls[was.call].title}, {called}{though}")


def _number_unclear(state: State, loop: Loop) -> bool:
    """Return whether a call holds a number that sounds like another, as it was heard."""
    said = utterance_of(state.log, loop.fact)
    if said is None or "amended" in said.flags:
        return False
    return "sounds-like" in said.flags and differences(said.slots, loop.slots, ("amount",)) == set()


def timer_changed(state: State, fact: TimerChanged) -> State:
    """Return the state after a timer was stopped or made longer. One that is over stays as it is."""
    found = (i for i, x in enumerate(state.timers) if x.fact == fact.timer and x.completed is None)
    at = next(found, None)
    timer = None if at is None else state.timers[at]
    if at is None or timer is None or (fact.change == "extend" and fact.seconds <= 0):
        return state
    if fact.change == "stop":
        changed = replace(timer, completed=fact.t, stopped=True, ended_by=fact.seq)
        text = f"timer stopped: {timer.name}"
    else:
        changed = replace(timer, extended_s=timer.extended_s + fact.seconds)
        whole = duration(round(changed.duration_s + changed.extended_s, 1))
        text = f"timer {timer.origin} made {duration(fact.seconds)} longer: now {whole}"
    timers = state.timers.put(at, changed)
    return _told(replace(state, timers=timers, running=running_of(timers)), fact, text)


def tick(state: State, fact: Ticked) -> State:
    """Return the state after an item was ticked. An item that was answered already keeps its time."""
    progress = next((x for x in state.checklists if x.id == fact.checklist), None)
    title = dict(progress.items).get(fact.item) if progress else None
    if progress is None or title is None or fact.item in progress.answered:
        return state
    ticked: ChecklistProgress = replace(
        progress,
        answered={**progress.answered, fact.item: fact.t},
        facts=progress.facts.plus(fact.seq),
    )
    checklists = tuple(ticked if x is progress else x for x in state.checklists)
    return _told(replace(state, checklists=checklists), fact, f"ticked: {title}")


def set_weight(state: State, fact: WeightSet) -> State:
    """Return the state with another weight, by which doses are judged that are called from now on."""
    was = f"{number(decimal(state.weight_kg))} kg" if state.weight_kg else "none"
    text = f"weight {number(decimal(fact.weight_kg))} kg, before: {was}"
    return _told(replace(state, weight_kg=fact.weight_kg), fact, text)


def set_recording(state: State, fact: RecordingSet) -> State:
    """Return the state after recording was paused or taken up again, or went on by itself in a
    further file."""
    if fact.on == state.recording:
        return state
    if fact.audio:
        line = OtherLine(fact.t, fact.seq, "case", f"recording goes on in {fact.audio}")
        return replace(state, recording=fact.on, log=state.log.plus(line))
    text = "recording taken up again" if fact.on else "recording paused: silence from here on"
    return _told(replace(state, recording=fact.on), fact, text)


def taken_back_line(
    protocol: Protocol,
    state: State,
    fact: Withdrawn,
    *,
    target: Fact | None,
    of: Fact | None = None,
) -> State:
    """Return the state with a line of the log that says what a person took back, or withdrew of
    what was heard; `of` is the fact that `target` speaks of."""
    if target is None or target.seq >= fact.seq:
        return state
    done = "withdrawn, not said" if isinstance(target, Heard) else "taken back"
    return _told(state, fact, f"{done}: {in_words(protocol, target, of)}")


def in_words(protocol: Protocol, fact: Fact, of: Fact | None = None) -> str:
    """Return a fact that a person may take back, in a few plain words; `of` is the fact that it speaks of,
    where that is known."""
    match fact:
        case Heard():
            return fact.likely or fact.text or "nothing heard"
        case Entered():
            call = protocol.calls.get(fact.call)
            values = (_value(name, value) for name, value in fact.slots)
            # "Give" and "Given" are one letter apart.
            kind = f" {call.kind_told.upper()}:" if call and call.may_name_a_drug else ""
            return " ".join([f"entry{kind}", call.title if call else fact.call, *values])
        case Noted():
            words = "" if fact.mark and fact.text == MARK else f" {fact.text}"
            return f"{'mark' if fact.mark else 'note'}{words}"
        case Amended():
            return f"put right {fact.words}"
        case Confirmed():
            if isinstance(of, Heard) and of.likely:
                return f'that "{of.likely}" was no call'
            return "that it was heard rightly"
        case AnsweredByHand():
            return "that an answer was heard"
        case SpeakerSet():
            station = protocol.stations.get(fact.station)
            return f"speaker {(station.title if station else '') or fact.station}"
        case TimerChanged():
            return "timer stopped" if fact.change == "stop" else "timer made longer"
        case Ticked():
            items = {item.id: item.title for each in protocol.checklist for item in each.items}
            return f"tick of {items.get(fact.item) or fact.item}"
        case WeightSet():
            return f"weight {number(decimal(fact.weight_kg))} kg"
        case Withdrawn():
            return "a withdrawal"
        case _:
            return fact.kind


_AGREED = {
    "case": "for this case only",
    "kept": "a voice kept for later cases",
    "from-here": "from what they say from here on",
}


def voice_agreed(protocol: Protocol, state: State, fact: VoiceAgreed) -> State:
    """Return the state with a line of the log that says who is known by voice."""
    names = {one.id: one.title for one in protocol.station}
    name = names.get(fact.station, fact.station)
    text = f"{name} agreed to be known by voice: {_AGREED[fact.scope]}"
    return replace(state, log=state.log.plus(OtherLine(fact.t, fact.seq, "case", text)))


def _value(name: str, value: str | float) -> str:
    if isinstance(value, str):
        return value
    return duration(value) if name.endswith("_s") else number(Decimal(str(value)))


def _told(state: State, fact: Fact, text: str) -> State:
    return replace(state, log=state.log.plus(OtherLine(fact.t, fact.seq, "hand", text)))
