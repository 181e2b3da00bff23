"""A case folded in one go, without holding its facts, comes to what the fold that goes on comes to."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.case.amendments import Amending, ended
from grammar.case.facts import CaseStarted, Confirmed, Fact, Heard, SecondHearing, Withdrawn
from grammar.case.fold import Case
from grammar.case.whole_case import WholeCase
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from tests.support.case_facts import by_hand, cases

AIRWAY = load_protocol("isolation-airway")


@settings(deadline=None, max_examples=60)
@given(cases(by_hand()))
def test_it_comes_to_what_the_kept_fold_comes_to(facts: tuple[Fact, ...]) -> None:
    kept = Case(AIRWAY)
    kept.add_all(facts)
    amending = [fact for fact in facts if isinstance(fact, Amending)]
    whole = WholeCase(AIRWAY, iter(facts), amending)
    end = max(ended(fact) for fact in facts)
    assert whole.latest == end
    assert whole.at_its_end() == kept.view(end)
    assert whole.facts == ()  # none is held
    assert [whole.begins[fact.seq] for fact in facts] == [fact.t for fact in facts]
    assert math.isnan(whole.begins[0])


@pytest.mark.parametrize("key", ["not said", "no call"])
def test_taking_back_words_that_were_not_understood_tells_the_likely_ones_in_both_folds(
    key: str,
) -> None:
    perhaps = Heard(seq=2, t=32, until=33, words=(Word("[unk]", 32, 33, 0.2),), likely="need help")
    begun = (CaseStarted(seq=1, protocol="isolation-airway"), perhaps)
    acts: dict[str, tuple[Amending, ...]] = {
        "not said": (Withdrawn(seq=3, t=40, target=2),),
        "no call": (Confirmed(seq=3, t=40, target=2), Withdrawn(seq=4, t=50, target=3)),
    }
    told = {
        "not said": "withdrawn, not said: need help",
        "no call": 'taken back: that "need help" was no call',
    }[key]
    kept = Case(AIRWAY)
    kept.add_all((*begun, *acts[key]))
    whole = WholeCase(AIRWAY, iter((*begun, *acts[key])), acts[key])
    for view in (kept.view(50), whole.at_its_end()):
        assert [line.text for line in view.log if line.text.startswith(told[:9])] == [told]


def said(seq: int, t: float) -> Heard:
    words = tuple(
        Word(w, t, t + 0.1)
        for w in ["drugs", "nurse", "give", "seventy", "milligrams", "of", "ketamine"]
    )
    return Heard(seq=seq, t=t, until=t + 1, words=words)


class Counted(Case):
    """Counts its steps."""

    steps = 0

    def _step(self, state, standing):  # type: ignore[no-untyped-def]
        self.steps += 1
        return super()._step(state, standing)


@settings(deadline=None, max_examples=4)
@given(st.sampled_from([60, 600]))
def test_a_second_hearing_costs_the_same_in_a_long_case(count: int) -> None:
    """The sure ear amends each utterance a moment later; folding again from far back grew with the case."""
    case = Counted(AIRWAY)
    case.add(CaseStarted(seq=1, protocol="isolation-airway"))
    for at in range(count):
        heard = said(2 * at + 2, 20.0 * at)
        case.add(heard)
        before = case.steps
        case.add(
            SecondHearing(
                seq=2 * at + 3,
                t=heard.until,
                target=heard.seq,
                verdict="confirms",
                words=heard.words,
            )
        )
        assert case.steps - before <= 3
