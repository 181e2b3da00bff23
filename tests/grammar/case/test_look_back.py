"""A look back at a moment gives what folding the facts of that time gives."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import grammar.case.fold
from grammar.case.amendments import ended
from grammar.case.facts import CaseStarted, Fact, Gap, Noted, Withdrawn
from grammar.case.fold import Case, fold
from grammar.protocol.loading import load_protocol
from tests.support.case_facts import by_hand, cases

PROTOCOL = load_protocol("isolation-airway")


@pytest.fixture(scope="module", autouse=True)
def kept_often() -> object:
    """States are kept after every few facts, so that small cases look back across several."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grammar.case.fold, "LOOK_BACK", 3)
        patch.setattr(grammar.case.fold, "CHECKPOINT", 5)
        yield


@settings(max_examples=120, deadline=None)
@given(cases(by_hand()), st.floats(0, 1))
def test_looking_back_is_folding_what_was_known_then(facts: tuple[Fact, ...], share: float) -> None:
    now = share * max((ended(fact) for fact in facts), default=0.0)
    case = Case(PROTOCOL)
    for fact in facts:
        case.add(fact)
    assert case.at(now) == fold(PROTOCOL, facts, now)


def test_what_is_withdrawn_before_it_was_over_leaves_a_look_back_as_it_was() -> None:
    facts: tuple[Fact, ...] = (
        CaseStarted(seq=1, protocol="isolation-airway"),
        Noted(seq=2, t=1.0, text="a note"),
        Noted(seq=3, t=2.0, text="a note"),
        Gap(seq=4, t=3.0, until=90.0, reason="the device went away"),
        Withdrawn(seq=5, t=10.0, target=4),
        Noted(seq=6, t=11.0, text="a note"),
    )
    case = Case(PROTOCOL)
    for fact in facts:
        case.add(fact)
    assert case.at(12.0) == fold(PROTOCOL, facts, 12.0)
