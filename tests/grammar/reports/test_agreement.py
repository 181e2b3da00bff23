"""Two hearings of one sound side by side: what is a pair, and how far they agree beyond chance."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.case.facts import Amended, CaseStarted, Entered, Heard, Withdrawn
from grammar.case.fold import fold
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.reports.agreement import (
    HeardUtterance,
    Pair,
    agreement,
    align,
    cohens_kappa,
    meaning_of,
    utterances,
)


def told(t: float, until: float, text: str = "copy", channel: int = 1) -> HeardUtterance:
    return HeardUtterance(0, t, until, channel, text, text, unsure=False, amended=False)


def sides(pairs: tuple[Pair, ...]) -> list[tuple[str | None, str | None]]:
    return [
        (pair.before and pair.before.text, pair.after and pair.after.text)  # type: ignore[misc]
        for pair in pairs
    ]


# ---------------------------------------------------------------------- side by side


def test_what_overlaps_in_time_is_a_pair_and_what_does_not_stands_alone() -> None:
    before = [told(0, 2, "a"), told(10, 12, "b"), told(20, 22, "c")]
    after = [told(0.3, 2.1, "A"), told(20.2, 22.4, "C"), told(30, 31, "D")]
    assert sides(align(before, after)) == [("a", "A"), ("b", None), ("c", "C"), (None, "D")]


def test_one_utterance_cut_in_two_pairs_with_the_longer_part() -> None:
    pairs = align([told(0, 5, "whole")], [told(0, 1.5, "short"), told(1.7, 5, "long")])
    assert sides(pairs) == [("whole", "long"), (None, "short")]


def test_pairs_keep_their_order() -> None:
    before = [told(0, 3, "a"), told(2, 6, "b")]
    after = [told(0, 2.5, "A"), told(2.6, 6, "B")]
    assert sides(align(before, after)) == [("a", "A"), ("b", "B")]


def test_people_on_two_channels_are_never_paired_with_one_another() -> None:
    pairs = align([told(0, 2, "a", channel=1)], [told(0, 2, "a", channel=2)])
    assert sides(pairs) == [("a", None), (None, "a")]


times = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 6), st.sampled_from("abc"), st.integers(1, 2)),
    max_size=12,
).map(
    lambda rows: [told(t, t + length, text, channel) for t, length, text, channel in sorted(rows)]
)


@given(times, times)
def test_every_utterance_stands_in_one_pair_and_alone_only_where_it_must(
    before: list[HeardUtterance], after: list[HeardUtterance]
) -> None:
    pairs = align(before, after)
    assert sorted((p.before for p in pairs if p.before), key=repr) == sorted(before, key=repr)
    assert sorted((p.after for p in pairs if p.after), key=repr) == sorted(after, key=repr)
    for pair in pairs:
        if pair.before and pair.after:
            assert pair.before.channel == pair.after.channel
            assert pair.before.t < pair.after.until and pair.after.t < pair.before.until


@given(times)
def test_a_hearing_agrees_with_itself(one: list[HeardUtterance]) -> None:
    found = agreement(align(one, one))
    assert found.meaning.count == found.meaning.total == len(one)


# ---------------------------------------------------------------------- beyond chance


@pytest.fixture(scope="module", autouse=True)
def _loaded() -> None:
    """Load the reference libraries, which takes seconds, only in the process that runs these tests."""
    import statsmodels.stats.inter_rater  # noqa: F401


labels = st.lists(st.tuples(st.sampled_from("abcd"), st.sampled_from("abcd")), min_size=1)


@settings(deadline=None)
@given(labels)
def test_kappa_is_that_of_scikit_learn(pairs: list[tuple[str, str]]) -> None:
    from sklearn.metrics import cohen_kappa_score

    first, second = zip(*pairs, strict=True)
    ours = cohens_kappa(pairs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = cohen_kappa_score(first, second)
    if ours is None:
        assert math.isnan(theirs)  # undefined there too
    else:
        assert ours == pytest.approx(theirs, abs=1e-9)


@settings(deadline=None)
@given(labels)
def test_the_percentage_is_that_of_scikit_learn(pairs: list[tuple[str, str]]) -> None:
    from sklearn.metrics import accuracy_score

    made = [Pair(told(0, 1, a), told(0, 1, b)) for a, b in pairs]
    first, second = zip(*pairs, strict=True)
    assert agreement(made).meaning.value == pytest.approx(accuracy_score(first, second), abs=1e-9)


def test_kappa_is_that_of_statsmodels_on_a_table() -> None:
    """Two readers, 50 applications, 20 and 15 alike: the usual classroom example, kappa 0.4."""
    from statsmodels.stats.inter_rater import cohens_kappa as statsmodels_kappa

    table = [[20, 5], [10, 15]]
    pairs = [
        (a, b) for i, a in enumerate("yn") for j, b in enumerate("yn") for _ in range(table[i][j])
    ]
    assert cohens_kappa(pairs) == pytest.approx(0.4, abs=1e-9)
    assert cohens_kappa(pairs) == pytest.approx(statsmodels_kappa(table).kappa, abs=1e-9)


def test_without_anything_heard_there_is_no_agreement() -> None:
    found = agreement(())
    assert (found.meaning.value, found.kappa) == (None, None)


def test_what_only_one_heard_is_no_agreement() -> None:
    found = agreement(align([told(0, 1, "copy")], []))
    assert (found.meaning.count, found.meaning.total) == (0, 1)


# ---------------------------------------------------------------------- what is compared


def said(seq: int, t: float, words: str) -> Heard:
    each = tuple(Word(word, t, t + 2) for word in words.split())
    return Heard(seq=seq, t=t, until=t + 2, words=each)


def test_the_original_counts_as_a_person_corrected_it() -> None:
    facts = (
        CaseStarted(seq=1, protocol="isolation-airway"),
        said(2, 0, "give seventeen milligrams of ketamine"),
        said(3, 5, "room ready"),
        Entered(seq=4, t=8, call="room-ready"),
        Amended(seq=5, t=20, target=2, words="give seventy milligrams of ketamine"),
        Withdrawn(seq=6, t=21, target=3),
    )
    (order,) = utterances(fold(load_protocol("isolation-airway"), facts, 30))
    assert order.amended
    assert order.meaning == "give-drug amount=70 drug=ketamine unit=mg"


def test_meaning_is_what_was_said_and_not_what_the_calls_around_made_of_it() -> None:
    protocol = load_protocol("isolation-airway")
    alone = fold(protocol, (CaseStarted(seq=1, protocol="x"), said(2, 5, "timer sixty")), 30)
    answers = (
        CaseStarted(seq=1, protocol="x"),
        said(2, 0, "timer sixty"),
        said(3, 5, "timer sixty"),
    )
    after = fold(protocol, answers, 30)
    first, second = alone.log[-1].utterance, after.log[-1].utterance
    assert first is not None and second is not None
    assert (first.role, second.role) == ("call", "read-back")
    assert meaning_of(first) == meaning_of(second) == "start-timer duration_s=60"
