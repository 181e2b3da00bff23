"""What a person does at the keyboard is a fact like any other, and can be taken back by one more."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.case.facts import (
    AnsweredByHand,
    Confirmed,
    Entered,
    Fact,
    RecordingSet,
    Ticked,
    TimerChanged,
    Withdrawn,
)
from grammar.case.fold import Case
from grammar.case.view import View
from tests.support.case_facts import by_hand, cases
from tests.support.screens import case, heard, protocol

ORDER = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
TIMER = heard(10, "timer sixty", "team-leader")
DOUBTFUL = heard(10, "sats ninety four", "airway-operator", 0.2)


def lines(view: View) -> list[str]:
    return [line.text for line in view.log if line.kind == "hand"]


def test_a_timer_stopped_by_hand_is_over_and_says_who_ended_it() -> None:
    shown = case(TIMER, TimerChanged(t=30, timer=2, change="stop"))
    timer, state = shown.view(100).timers[0]
    assert (state, timer.completed, timer.stopped) == ("complete", 30, True)
    assert lines(shown.view(100)) == ["timer stopped: 60 s from 00:10"]


def test_a_timer_made_longer_is_due_later_and_can_be_made_longer_again() -> None:
    more = [TimerChanged(t=t, timer=2, change="extend", seconds=60) for t in (30.0, 31.0)]
    shown = case(TIMER, *more)
    timer, state = shown.view(TIMER.until + 179).timers[0]
    assert timer.due == TIMER.until + 180
    assert state == "running"
    assert shown.view(TIMER.until + 180).timers[0][1] == "done"


def test_a_timer_that_is_over_or_that_never_was_cannot_be_changed() -> None:
    stop = TimerChanged(t=30, timer=2, change="stop")
    late = TimerChanged(t=40, timer=2, change="extend", seconds=60)
    assert case(TIMER, stop, late).view(50).timers == case(TIMER, stop).view(50).timers
    nowhere = TimerChanged(t=30, timer=99, change="stop")
    assert case(TIMER, nowhere).view(50) == replace(case(TIMER).view(50))


def test_an_item_ticked_by_hand_counts_as_answered_once() -> None:
    tick = Ticked(t=5, checklist="before-induction", item="suction")
    view = case(tick, replace(tick, t=9)).view(20)
    assert view.checklists[0].answered == {"suction": 5}
    assert lines(view) == ["ticked: Suction on and in reach"]
    nothing = case(Ticked(t=5, checklist="before-induction", item="no-such")).view(20)
    assert nothing.checklists[0].state == "not-started"


def test_what_was_answered_aloud_keeps_its_time_when_ticked_later() -> None:
    aloud = heard(3, "suction on", "airway-operator")
    ticked = Ticked(t=9, checklist="before-induction", item="suction")
    assert case(aloud, ticked).view(20).checklists[0].answered == {"suction": 3}


def test_recording_is_paused_and_taken_up_again_and_the_log_says_so() -> None:
    off, on = RecordingSet(t=5, on=False), RecordingSet(t=9, on=True)
    assert not case(off).view(20).recording
    view = case(off, on).view(20)
    assert view.recording
    assert lines(view) == ["recording paused: silence from here on", "recording taken up again"]


def test_a_call_heard_with_doubt_waits_until_a_person_accepts_it() -> None:
    doubtful = case(DOUBTFUL).view(20)
    assert [said.text for said in doubtful.unsure] == ["sats ninety four"]
    assert not doubtful.vitals
    accepted = case(DOUBTFUL, Confirmed(t=12, target=2)).view(20)
    assert accepted.unsure == ()
    assert [sign.text for sign in accepted.vitals] == ["94"]


def test_an_answer_heard_with_doubt_waits_as_long_as_its_call_does() -> None:
    answer = heard(15, "giving ketamine ninety milligrams", "drugs-nurse", 0.2)
    view = case(ORDER, answer).view(20)
    assert [said.fact for said in view.unsure] == [3]
    by_hand = case(ORDER, answer, AnsweredByHand(t=18, loop=2)).view(20)
    # Ninety, which is easily heard for nineteen, waits for a digit; its answer agrees.
    assert [said.fact for said in by_hand.unsure] == [2]
    accepted = case(ORDER, answer, Confirmed(t=18, target=3)).view(20)
    assert accepted.unsure == ()
    assert accepted.loops[0][1] == "closed"


def test_what_was_taken_back_comes_back_when_the_taking_back_is_taken_back() -> None:
    gone = case(ORDER, Withdrawn(t=12, target=2))
    assert gone.view(20).loops == ()
    assert lines(gone.view(20)) == [
        "withdrawn, not said: drugs nurse give ketamine ninety milligrams"
    ]
    back = case(ORDER, Withdrawn(t=12, target=2), Withdrawn(t=13, target=3))
    assert back.view(20).loops == case(ORDER).view(20).loops


def test_a_fact_says_nothing_about_one_that_comes_after_it() -> None:
    early = case(Withdrawn(t=5, target=3), ORDER)
    assert [state for _, state in early.view(15).loops] == ["open"]


def test_a_call_entered_by_hand_is_no_read_back_of_one_that_waits() -> None:
    other = Entered(t=13, call="start-timer", slots=(("duration_s", 180.0),))
    view = case(TIMER, other).view(15)
    assert [state for _, state in view.loops] == ["open", "open"]
    assert len(view.timers) == 2
    same = replace(other, slots=(("duration_s", 60.0),))
    again = case(TIMER, same).view(15)
    assert [(loop.repeats, state) for loop, state in again.loops] == [(1, "open")]
    # Who names its speaker may enter what was read back.
    named = case(TIMER, replace(same, sender="outside")).view(15)
    assert [state for _, state in named.loops] == ["closed"]


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()), st.integers(1, 30))
def test_taking_back_twice_changes_nothing_but_the_log(
    facts: tuple[Fact, ...], target: int
) -> None:
    made = Case(protocol())
    for fact in facts:
        made.add(fact)
    now = 1 + max(getattr(fact, "until", fact.t) for fact in facts)
    before = made.view(now)
    if target > len(facts):
        return
    made.add(Withdrawn(seq=len(facts) + 1, t=now, target=target))
    made.add(Withdrawn(seq=len(facts) + 2, t=now, target=len(facts) + 1))
    after = made.view(now)
    assert replace(after, log=()) == replace(before, log=())
    kept = len(before.log)
    assert list(after.log)[:kept] == list(before.log)
