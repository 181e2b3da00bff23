"""Intervals over whole cases, against scipy's bootstrap and against what independence would give.

The data: the sample of the published study, El-Shafy et al. 2018 (doi 10.1016/j.jsurg.2017.06.025), has 387
orders in 89 activations; how they spread over activations is not published, so here it is invented.
"""

from __future__ import annotations

import numpy as np
import pytest

from grammar.reports.measures import (
    FEWEST,
    Observation,
    curve,
    median_interval,
    share,
    share_interval,
)


def activations(seed: int, spread: float) -> list[tuple[int, int]]:
    """89 cases of about four orders; `spread` is how unlike each other the teams are."""
    chance = np.random.default_rng(seed)
    totals = chance.integers(2, 8, 89)
    means = chance.beta(0.26 / spread, 0.74 / spread, 89)
    return [(int(chance.binomial(n, p)), int(n)) for n, p in zip(totals, means, strict=True)]


def test_the_interval_of_a_share_is_that_of_scipy_s_bootstrap_over_cases() -> None:
    from scipy.stats import bootstrap

    parts = activations(1, 0.5)
    counts, totals = np.array(parts, float).T

    def ratio(count: np.ndarray, total: np.ndarray, axis: int = -1) -> np.ndarray:
        return np.asarray(count.sum(axis=axis) / total.sum(axis=axis))

    theirs = bootstrap(
        (counts, totals), ratio, paired=True, method="percentile", n_resamples=4000, rng=2
    ).confidence_interval
    found = share_interval(parts)
    assert found == pytest.approx((theirs.low, theirs.high), abs=0.01)


def test_where_teams_are_unlike_the_interval_is_wider_than_wilson_s() -> None:
    unlike = activations(3, 2.0)
    found = share_interval(unlike)
    wilson = share(sum(c for c, _ in unlike), sum(n for _, n in unlike))
    assert found is not None
    assert found[1] - found[0] > 1.3 * (wilson.high - wilson.low)


def test_of_few_cases_no_interval_is_drawn() -> None:
    assert share_interval([(1, 2)] * (FEWEST - 1)) is None
    assert share_interval([(1, 2), (0, 0)] * FEWEST) == (0.5, 0.5)
    assert median_interval([[Observation(3.0, True)]] * (FEWEST - 1)) is None


def test_the_interval_of_a_median_is_that_of_drawing_cases_one_by_one() -> None:
    chance = np.random.default_rng(5)
    cases = [
        [Observation(float(t), bool(chance.random() < 0.9)) for t in chance.exponential(m, 6)]
        for m in chance.uniform(1, 6, 12)
    ]
    drawn = np.random.default_rng(6).integers(0, 12, (1000, 12))
    medians = [curve([one for at in draw for one in cases[at]]).median or np.inf for draw in drawn]
    found = median_interval(cases)
    assert found == pytest.approx(tuple(np.percentile(medians, (2.5, 97.5))), rel=0.1)
