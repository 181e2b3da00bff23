"""What holds for every sequence of facts, whatever was said, heard, mended or lost."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    CaseStarted,
    Fact,
    Gap,
    Heard,
    HeardOut,
    fact_from_json,
    fact_to_json,
)
from grammar.case.fold import Case, fold
from grammar.case.loops import Loop
from grammar.case.view import Utterance, View
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.reports.summary import summary_json, utterance_json
from tests.support.case_facts import by_hand, cases

STATES = {"open", "answered", "closed", "differs", "unanswered", "withdrawn"}


@cache
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


def known(fact: Fact) -> float:
    """When a fact is known: at its end where it lasts."""
    return fact.until if isinstance(fact, Heard | HeardOut | Gap) else fact.t


def end_of(facts: tuple[Fact, ...]) -> float:
    return max(known(fact) for fact in facts)


def case_of(facts: tuple[Fact, ...]) -> Case:
    case = Case(protocol())
    for fact in facts:
        case.add(fact)
    return case


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()))
def test_folding_facts_one_by_one_gives_what_folding_all_gives(facts: tuple[Fact, ...]) -> None:
    case = Case(protocol())
    now = end_of(facts)
    for fact in facts:
        case.add(fact)
        case.view(fact.t)  # looking changes nothing
    assert case.view(now) == fold(protocol(), facts, now)


@settings(max_examples=50, deadline=None)
@given(cases(by_hand()), st.floats(0, 1))
def test_the_state_at_a_moment_never_depends_on_later_facts(
    facts: tuple[Fact, ...], share: float
) -> None:
    now = share * end_of(facts)
    earlier = [fact for fact in facts if known(fact) <= now]
    assert fold(protocol(), facts, now) == fold(protocol(), earlier, now)


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()), st.floats(-10, 1e6))
def test_no_sequence_of_facts_raises_and_all_can_be_written_out(
    facts: tuple[Fact, ...], now: float
) -> None:
    view = case_of(facts).view(now)
    assert json.loads(json.dumps(summary_json(view)))["kind"] == "summary"
    for said in (line.utterance for line in view.log if line.utterance):
        assert json.loads(json.dumps(utterance_json(said)))["text"] == said.text


@settings(max_examples=50, deadline=None)
@given(cases(by_hand()))
def test_a_case_stored_and_read_back_is_the_same_case(facts: tuple[Fact, ...]) -> None:
    stored = tuple(fact_from_json(fact_to_json(fact)) for fact in facts)
    now = end_of(facts) + 5
    assert stored == facts
    assert fold(protocol(), stored, now) == fold(protocol(), facts, now)


def plain(view: View) -> View:
    """The view without the mark that a line was amended, and without how surely it was heard."""
    log = tuple(
        replace(line, flags=tuple(flag for flag in line.flags if flag != "amended"))
        if isinstance(line, Utterance)
        else line
        for line in view.log
    )
    return replace(view, log=log)


@settings(max_examples=50, deadline=None)
@given(cases(), st.integers(0, 24))
def test_amending_a_fact_to_what_it_was_changes_nothing_but_the_flag(
    facts: tuple[Fact, ...], which: int
) -> None:
    sure = tuple(
        replace(f, doubts=(), words=tuple(replace(w, confidence=1.0) for w in f.words))
        if isinstance(f, Heard)
        else f
        for f in facts
    )
    spoken = [fact for fact in sure if isinstance(fact, Heard) and fact.words]
    case = case_of(sure)
    now = end_of(sure) + 1
    before = case.view(now)
    if not spoken:
        return
    target = spoken[which % len(spoken)]
    if any("-conflict" in flag or flag == "nearest" for flag in flags_of(before, target.seq)):
        return  # an amendment is believed: it takes doubts away
    case.add(Amended(seq=len(facts) + 1, t=now, target=target.seq, words=target.text))
    after = case.view(now)
    assert plain(after) == plain(before)
    assert "amended" in flags_of(after, target.seq)


def flags_of(view: View, fact: int) -> tuple[str, ...]:
    return next(x.utterance.flags for x in view.log if x.fact == fact and x.utterance)


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()), st.floats(0, 400))
def test_every_call_ends_in_exactly_one_loop_state(facts: tuple[Fact, ...], now: float) -> None:
    view = case_of(facts).view(now)
    ids = [loop.id for loop, _ in view.loops]
    assert len(set(ids)) == len(ids)
    assert {state for _, state in view.loops} <= STATES
    for line in view.log:
        said = line.utterance
        wants = said and said.call and protocol().calls[said.call].readback != "none"
        opened = said and said.role == "call" and wants and "repeat" not in said.flags
        if said and opened:
            assert ids.count(said.fact) == 1
            assert said.loop == said.fact


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()))
def test_closing_needs_an_agreeing_answer_or_a_person(facts: tuple[Fact, ...]) -> None:
    case = Case(protocol())
    for fact in facts:
        before = {loop.id: loop for loop in case.state.loops}
        case.add(fact)
        if not isinstance(fact, Heard):
            continue
        for loop in case.state.loops:
            was = before.get(loop.id)
            if loop.status == "closed" and (was is None or was.status != "closed"):
                answered_by(case, fact, loop)


def answered_by(case: Case, fact: Heard, loop: Loop) -> None:
    """What was just heard is an answer that agrees, from another than the caller if that is known."""
    said = next(x.utterance for x in reversed(case.state.log) if x.fact == fact.seq)
    assert said
    assert not said.unsure
    assert loop.answer_fact == fact.seq
    assert said.sender is None or said.sender != loop.sender
    call = protocol().calls[loop.call]
    if call.readback == "acknowledge":
        return
    assert said.role == "read-back"
    numbers = [name for name in ("amount", "duration_s") if name in loop.slots]
    for name in numbers:
        assert said.slots[name] == loop.slots[name]


@settings(max_examples=60, deadline=None)
@given(cases(most=12))
def test_a_person_may_close_what_nobody_was_heard_to_answer(
    facts: tuple[Fact, ...],
) -> None:
    case = case_of(facts)
    now = end_of(facts) + 1
    for loop in case.state.loops:
        case.add(AnsweredByHand(seq=len(case.facts) + 1, t=now, loop=loop.id))
    assert {loop.status for loop in case.state.loops} <= {"closed", "withdrawn"}
    assert isinstance(case.facts[0], CaseStarted)


@settings(max_examples=60, deadline=None)
@given(cases(by_hand()), st.lists(st.floats(0, 600), min_size=2, max_size=6))
def test_looking_at_several_moments_is_looking_at_each_anew(
    facts: tuple[Fact, ...], moments: list[float]
) -> None:
    case = case_of(facts)
    for now in moments:
        assert case.view(now) == case_of(facts).view(now)
