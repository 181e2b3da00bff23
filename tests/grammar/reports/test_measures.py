"""What a debrief measures, against the published study and a reference library.

El-Shafy et al., Journal of Surgical Education 2018, doi 10.1016/j.jsurg.2017.06.025: of 387 verbal
orders 126 were directed (32.6 %), 372 audible (96.1 %), 101 closed-loop (26.1 %).
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.reports.measures import communication, share, times_to_done, times_to_read_back
from tests.support.dialogues import drill

PUBLISHED = [(126, 32.6), (372, 96.1), (101, 26.1)]
ORDERS = 387


@pytest.mark.parametrize(("count", "percent"), PUBLISHED)
def test_published_totals_give_the_published_percentages(count: int, percent: float) -> None:
    found = share(count, ORDERS)
    assert found.value is not None
    assert round(100 * found.value, 1) == percent


@pytest.fixture(scope="module", autouse=True)
def _loaded() -> None:
    """Load the reference libraries, which takes seconds, only in the process that runs these tests."""
    import statsmodels.stats.proportion  # noqa: F401


@settings(deadline=None)
@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_are_those_of_statsmodels(counts: tuple[int, int]) -> None:
    from statsmodels.stats.proportion import proportion_confint

    found = share(*counts)
    low, high = proportion_confint(*counts, alpha=0.05, method="wilson")
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


def test_nothing_out_of_nothing_says_nothing() -> None:
    assert share(0, 0).value is None
    with pytest.raises(ValueError):
        share(1, 0)


def test_a_drill_is_counted_as_an_observer_would_count_it() -> None:
    view = drill(
        (0, "drugs nurse give seventy milligrams of ketamine"),  # directed, differed, closed
        (4, "ketamine seventeen"),
        (8, "negative seventy"),
        (11, "ketamine seventy"),
        (20, "timer sixty"),  # closed late, not directed
        (40, "sixty seconds"),
        (50, "anteroom send in the bougie"),  # directed, repeated, never answered
        (65, "anteroom send in the bougie"),
        until=100,
    )
    found = communication(view)
    counts = {
        name: getattr(found, name).count
        for name in ("directed", "answered", "closed", "late", "differed", "repeated")
    }
    assert found.directed.total == 3
    assert counts == {
        "directed": 2,
        "answered": 2,
        "closed": 2,
        "late": 1,
        "differed": 1,
        "repeated": 1,
    }


def test_an_unanswered_call_is_censored_and_not_dropped() -> None:
    view = drill(
        (0, "timer sixty"), (5, "sixty seconds"), (10, "anteroom send in the bougie"), until=60
    )
    first, second = times_to_read_back(view)
    assert (first.seconds, first.seen) == (3, True)  # from the call's last word at 2 s
    assert (second.seconds, second.seen) == (48, False)


def test_time_to_task_done_runs_from_the_order_to_its_report() -> None:
    view = drill(
        (0, "give seventy milligrams of ketamine"),
        (3, "seventy milligrams of ketamine"),
        (20, "ketamine in"),
        (30, "give seventy milligrams of rocuronium"),
        until=50,
    )
    first, second = times_to_done(view)
    assert (first.seconds, first.seen) == (20, True)
    assert (second.seconds, second.seen) == (20, False)
