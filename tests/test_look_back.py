"""A look back at a moment gives what folding the facts of that time gives."""

from __future__ import annotations

import pytest
from case_facts import by_hand, cases
from hypothesis import given, settings
from hypothesis import strategies as st

import grammar.case
from grammar.case import Case, fold
from grammar.facts import Fact
from grammar.loading import load
from grammar.standing import ended

PROTOCOL = load("isolation-airway")


@pytest.fixture(scope="module", autouse=True)
def kept_often() -> object:
    """States are kept after every few facts, so that small cases look back across several."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grammar.case, "LOOK_BACK", 3)
        patch.setattr(grammar.case, "CHECKPOINT", 5)
        yield


@settings(max_examples=120, deadline=None)
@given(cases(by_hand()), st.floats(0, 1))
def test_looking_back_is_folding_what_was_known_then(facts: tuple[Fact, ...], share: float) -> None:
    now = share * max((ended(fact) for fact in facts), default=0.0)
    case = Case(PROTOCOL)
    for fact in facts:
        case.add(fact)
    assert case.at(now) == fold(PROTOCOL, facts, now)
