"""Censored times: the curve, its band and the comparison, against two libraries and a known trial.

The trial: Freireich et al., Blood 1963, remission of acute leukaemia in weeks under 6-mercaptopurine
against placebo, 21 patients each; the data are printed in Venables and Ripley, Modern Applied
Statistics with S (4th ed.), section 13.1, as `gehan`, and come with lifelines (`load_leukemia`).
"""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from grammar.reports.measures import Curve, Observation, compare, curve
from tui.pages.debrief.in_words import compared_in_words

if TYPE_CHECKING:
    import pandas

Group = list[Observation]


@pytest.fixture(scope="module", autouse=True)
def _loaded() -> None:
    """Load the reference libraries, which takes seconds, only in the process that runs these tests."""
    import statsmodels.duration.survfunc  # noqa: F401


def freireich(treated: int) -> Group:
    from lifelines.datasets import load_leukemia

    rows = load_leukemia()
    return [
        Observation(float(row.t), bool(row.status))
        for row in rows[rows.Rx == 1 - treated].itertuples()
    ]


def columns(*groups: Group) -> pandas.DataFrame:
    import pandas

    return pandas.DataFrame(
        [(x.seconds, x.seen, i) for i, group in enumerate(groups) for x in group],
        columns=["t", "seen", "group"],
    )


observations = st.builds(
    Observation,
    st.one_of(st.integers(1, 30).map(float), st.floats(0.01, 300).map(lambda x: round(x, 2))),
    st.booleans(),
)
groups = st.lists(observations, min_size=1, max_size=30)


# ---------------------------------------------------------------------- the published trial


def test_the_trial_s_medians_are_23_weeks_and_8_weeks() -> None:
    assert curve(freireich(treated=1)).median == 23
    assert curve(freireich(treated=0)).median == 8


def test_the_trial_s_curve_under_treatment_is_the_printed_one() -> None:
    """Printed in Cox and Oakes, Analysis of Survival Data (1984), and most textbooks since."""
    found = curve(freireich(treated=1))
    at = dict(zip(found.times, found.waiting, strict=True))
    printed = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    assert {t: round(at[t], 3) for t in printed} == printed
    assert found.at_risk[found.times.index(10)] == 15


def test_the_trial_s_log_rank_and_hazard_ratio_are_the_printed_ones() -> None:
    """Venables and Ripley, section 13.1: chi square 16.8 on 1 df; section 13.3: ratio 4.82 (Efron)."""
    placebo_first = compare(freireich(treated=0), freireich(treated=1))
    assert placebo_first.chi_square == pytest.approx(16.8, abs=0.05)
    assert placebo_first.p == pytest.approx(4.17e-05, rel=0.005)
    assert placebo_first.hazard_ratio == pytest.approx(4.82, abs=0.005)
    treated_first = compare(freireich(treated=1), freireich(treated=0))
    assert treated_first.hazard_ratio == pytest.approx(1 / 4.82, abs=0.001)


def test_the_trial_s_curves_and_log_rank_are_those_of_statsmodels() -> None:
    from statsmodels.duration.survfunc import SurvfuncRight, survdiff

    for treated in (0, 1):
        data = columns(freireich(treated))
        fitted = SurvfuncRight(data.t, data.seen.astype(int))
        ours = dict(
            zip(curve(freireich(treated)).times, curve(freireich(treated)).waiting, strict=True)
        )
        theirs = dict(zip(fitted.surv_times, fitted.surv_prob, strict=True))
        assert {t: ours[t] for t in theirs} == pytest.approx(theirs, abs=1e-9)
    both = columns(freireich(0), freireich(1))
    statistic, p = survdiff(both.t, both.seen.astype(int), both.group)
    found = compare(freireich(0), freireich(1))
    assert (found.chi_square, found.p) == pytest.approx((statistic, p), abs=1e-9)


def test_the_median_of_times_that_all_ended_is_the_usual_one_for_even_and_odd_counts() -> None:
    """Lifetimes of flies, the `waltons` data that come with lifelines; the usual median is numpy's."""
    from lifelines.datasets import load_waltons

    flies = load_waltons()
    ended = [float(t) for t in flies["T"][flies["E"] == 1]]
    for count in (*range(5, 40), len(ended), len(ended) - 1):
        found = curve([Observation(t, True) for t in ended[:count]])
        assert found.median == pytest.approx(float(np.median(ended[:count]))), count


def test_where_a_curve_lies_flat_at_a_half_the_middle_of_that_is_its_median() -> None:
    """As R's `survfit` prints it (package survival, from memory): half wait from 2 until 6."""
    times = [Observation(1, True), Observation(2, True), Observation(6, True), Observation(9, True)]
    assert curve(times).median == 4
    never = [*times[:2], Observation(9, False), Observation(9, False)]
    assert curve(never).median == 2  # it never falls below a half: the first time at it


# ---------------------------------------------------------------------- the reference libraries


def bands_agree(ours: Curve, theirs: pandas.DataFrame) -> None:
    for t, low, high in zip(ours.times, ours.low, ours.high, strict=True):
        if low is not None and high is not None:
            assert low == pytest.approx(theirs.loc[t].iloc[0], abs=1e-9)
            assert high == pytest.approx(theirs.loc[t].iloc[1], abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(groups)
def test_curves_and_bands_are_those_of_lifelines(group: Group) -> None:
    from lifelines import KaplanMeierFitter

    data = columns(group)
    fitted = KaplanMeierFitter().fit(data.t, data.seen)
    ours = curve(group)
    for t, waiting in zip(ours.times, ours.waiting, strict=True):
        assert waiting == pytest.approx(float(fitted.predict(t)), abs=1e-9)
    bands_agree(ours, fitted.confidence_interval_)
    expected = float(fitted.median_survival_time_)
    if not any(abs(waiting - 0.5) < 1e-9 for waiting in ours.waiting):  # there theirs is by chance
        assert ours.median == (None if math.isinf(expected) else expected)


def test_the_median_s_interval_is_that_of_lifelines() -> None:
    from lifelines import KaplanMeierFitter
    from lifelines.utils import median_survival_times

    for treated in (0, 1):
        data = columns(freireich(treated))
        fitted = KaplanMeierFitter().fit(data.t, data.seen)
        ours = curve(freireich(treated))
        low, high = median_survival_times(fitted.confidence_interval_).iloc[0]
        assert ours.median_low == low
        assert ours.median_high == (None if math.isinf(high) else high)


@settings(deadline=None, max_examples=30)
@given(groups)
def test_curves_are_those_of_statsmodels(group: Group) -> None:
    from statsmodels.duration.survfunc import SurvfuncRight

    data = columns(group)
    assume(data.seen.any())
    fitted = SurvfuncRight(data.t, data.seen.astype(int))
    at = dict(zip(fitted.surv_times, fitted.surv_prob, strict=True))
    ours = dict(zip(curve(group).times, curve(group).waiting, strict=True))
    assert {t: ours[t] for t in at} == pytest.approx(at, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(groups, groups)
def test_the_log_rank_test_is_that_of_both_libraries(first: Group, second: Group) -> None:
    from lifelines.statistics import logrank_test
    from statsmodels.duration.survfunc import survdiff

    data = columns(first, second)
    assume(data.seen.any())
    ours = compare(first, second)
    assume(ours.chi_square is not None)
    a, b = data[data.group == 0], data[data.group == 1]
    theirs = logrank_test(a.t, b.t, a.seen, b.seen)
    assert ours.chi_square == pytest.approx(theirs.test_statistic, abs=1e-9)
    assert ours.p == pytest.approx(theirs.p_value, abs=1e-9)
    statistic, p = survdiff(data.t, data.seen.astype(int), data.group)
    assert (ours.chi_square, ours.p) == pytest.approx((statistic, p), abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_the_hazard_ratio_is_that_of_lifelines(seed: int) -> None:
    """To 1e-4 of the log ratio: lifelines stops its iterations at a step of 1e-7, from other starts."""
    from lifelines import CoxPHFitter

    chance = np.random.default_rng(seed)
    first, second = (
        [
            Observation(round(float(t), 1), bool(seen))
            for t, seen in zip(chance.exponential(mean, 40), chance.random(40) < 0.8, strict=True)
        ]
        for mean in (5.0, 5.0 + seed)
    )
    data = columns(first, second)
    data["group"] = 1 - data.group
    fitted = CoxPHFitter().fit(data, "t", "seen")
    ours = compare(first, second)
    assert ours.hazard_ratio is not None and ours.low is not None and ours.high is not None
    assert math.log(ours.hazard_ratio) == pytest.approx(fitted.params_["group"], abs=1e-4)
    row = fitted.summary.loc["group"]
    assert ours.low == pytest.approx(row["exp(coef) lower 95%"], rel=1e-4)
    assert ours.high == pytest.approx(row["exp(coef) upper 95%"], rel=1e-4)


# ---------------------------------------------------------------------- the edges


def test_without_calls_there_is_no_curve_and_no_comparison() -> None:
    assert curve([]).median is None
    assert compare([], [Observation(3, True)]).p is None


def test_an_answer_that_begins_before_the_call_has_ended_counts_at_nought() -> None:
    found = curve([Observation(0, True), Observation(4, True)])
    assert (found.times, found.waiting, found.at_risk) == ((0, 4), (0.5, 0), (2, 1))


def test_calls_that_nobody_answered_keep_the_curve_up() -> None:
    waiting = curve([Observation(5, True), *[Observation(60, False)] * 3])
    assert waiting.waiting[-1] == 0.75
    assert waiting.median is None


def test_a_group_in_which_nothing_came_has_no_ratio_but_a_test() -> None:
    found = compare([Observation(3, True), Observation(4, True)], [Observation(60, False)] * 4)
    assert found.hazard_ratio is None
    assert found.p is not None and found.p < 0.05


def test_groups_that_nothing_tells_apart_have_no_ratio() -> None:
    all_at_once = [*[Observation(1, False)] * 9, Observation(1, True)]
    assert compare(all_at_once, [Observation(1, True)]).hazard_ratio is None


def test_groups_that_never_overlap_have_no_ratio() -> None:
    found = compare(
        [Observation(float(t), True) for t in range(1, 9)], [Observation(50.0, True)] * 8
    )
    assert found.hazard_ratio is None


def test_without_the_extra_there_is_a_test_but_no_ratio_and_that_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "statsmodels.duration.hazard_regression", None)
    found = compare(freireich(treated=1), freireich(treated=0))
    assert found.p is not None and found.p < 0.001
    assert found.hazard_ratio is None
    assert "answerback[cox]" in compared_in_words(found)
