"""Medians of times that may not have ended, by the Kaplan-Meier curve, and two groups compared.

The estimates are scipy's (curve, log-rank) and statsmodels' (Cox, the extra `cox`); both are imported
when asked for.
"""

from __future__ import annotations

import math
import warnings
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from grammar.reports.measures.times import Observation


@dataclass(frozen=True, slots=True)
class Curve:
    """The share still waiting, by time: Kaplan and Meier, JASA 1958.

    From `times[i]` seconds on, `waiting[i]` of the calls (0 to 1) still wait; before `times[0]` all do.
    `low` to `high` is the pointwise 95 % band on the log(-log) scale (Kalbfleisch and Prentice 1980,
    with Greenwood's variance), None where the formula gives none: before the first and after the last
    event that can leave anything. `median` is the time at which half wait (of a level at exactly a half
    its middle), None where that was never seen; `median_low` to `median_high` is where the band crosses
    the half (Brookmeyer and Crowley, Biometrics 1982).
    """

    total: int
    seen: int
    times: tuple[float, ...]
    waiting: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    at_risk: tuple[int, ...]
    """How many were watched and still waited just before each time."""
    median: float | None
    median_low: float | None
    median_high: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups of censored times. Where a value cannot be had, it is None.

    `p` is the two-sided p of the log-rank test, `chi_square` its statistic on one degree of freedom
    (Mantel 1966, Peto and Peto 1972). `hazard_ratio` with its 95 % Wald interval `low` to `high` is
    that of the first group against the second (Cox 1972, ties by Efron 1977): above 1 the first comes
    sooner. `cox_installed` is False where the ratio was not worked out for want of statsmodels.
    """

    first: int
    second: int
    chi_square: float | None
    p: float | None
    hazard_ratio: float | None
    low: float | None
    high: float | None
    cox_installed: bool = True


def curve(observed: Sequence[Observation]) -> Curve:
    """Return the Kaplan-Meier curve of the times."""
    if not observed:
        return Curve(
            total=0,
            seen=0,
            times=(),
            waiting=(),
            low=(),
            high=(),
            at_risk=(),
            median=None,
            median_low=None,
            median_high=None,
        )
    from scipy.stats import ecdf  # noqa: PLC0415  (half a second, for those who measure)

    estimate = ecdf(_censored(observed)).sf
    with warnings.catch_warnings():
        # Where nobody or everybody waits the logarithms are infinite: those places become None.
        warnings.simplefilter("ignore", RuntimeWarning)
        band = estimate.confidence_interval(0.95, method="log-log")
    times = [float(t) for t in estimate.quantiles]
    waiting = [float(value) for value in estimate.probabilities]
    low = [_finite(value) for value in band.low.probabilities]
    high = [_finite(value) for value in band.high.probabilities]
    ordered = sorted(one.seconds for one in observed)
    at_risk = _at_risk(ordered, times)
    return Curve(
        total=len(observed),
        seen=sum(one.seen for one in observed),
        times=tuple(times),
        waiting=tuple(waiting),
        low=tuple(low),
        high=tuple(high),
        at_risk=tuple(at_risk),
        median=_at_half(times, waiting),
        median_low=_at_half(times, low),
        median_high=_at_half(times, high),
    )


def compare(first: Sequence[Observation], second: Sequence[Observation]) -> Comparison:
    """Return whether the first group's times are shorter or longer than the second's, and by how
    much."""
    events = [sum(one.seen for one in group) for group in (first, second)]
    if not first or not second or not sum(events):
        return Comparison(
            first=len(first),
            second=len(second),
            chi_square=None,
            p=None,
            hazard_ratio=None,
            low=None,
            high=None,
        )
    from scipy.stats import logrank  # noqa: PLC0415

    test = logrank(_censored(first), _censored(second))
    statistic = _finite(test.statistic)
    ratio, low, high, installed = None, None, None, True
    if all(events):  # else the ratio is nought or infinite, and the estimate runs away
        model = _hazard_regression()
        installed = model is not None
        ratio, low, high = _cox(model, first, second) if model else (None, None, None)
    return Comparison(
        first=len(first),
        second=len(second),
        chi_square=None if statistic is None else statistic**2,
        p=_finite(test.pvalue),
        hazard_ratio=ratio,
        low=low,
        high=high,
        cox_installed=installed,
    )


def _hazard_regression() -> Any:
    """Return statsmodels' Cox model, or None where the extra `cox` is not installed."""
    try:
        from statsmodels.duration.hazard_regression import PHReg  # noqa: PLC0415  (brings pandas)
    except ImportError:
        return None
    return PHReg


def _cox(
    regression: Any, first: Sequence[Observation], second: Sequence[Observation]
) -> tuple[float | None, float | None, float | None]:
    import numpy as np  # noqa: PLC0415

    both = [*first, *second]
    group = [[1.0]] * len(first) + [[0.0]] * len(second)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = regression(
            np.array([one.seconds for one in both]),
            np.array(group),
            status=np.array([one.seen for one in both], float),
            ties="efron",
        )
        try:
            fitted = model.fit()
        except np.linalg.LinAlgError:  # such as all at one time: nothing to tell them apart by
            return None, None, None
    log_ratio, error = float(fitted.params[0]), float(fitted.bse[0])
    if not math.isfinite(log_ratio) or not math.isfinite(error) or error > _RUNAWAY:
        return None, None, None
    reach = _Z * error
    return math.exp(log_ratio), math.exp(log_ratio - reach), math.exp(log_ratio + reach)


_Z = 1.959963984540054
"""The 97.5 % point of the normal distribution."""

_RUNAWAY = 50.0
"""A standard error of the log ratio beyond this is no estimate: the groups do not overlap in time."""


def _censored(observed: Sequence[Observation]) -> Any:
    from scipy.stats import CensoredData  # noqa: PLC0415

    return CensoredData(
        uncensored=[one.seconds for one in observed if one.seen],
        right=[one.seconds for one in observed if not one.seen],
    )


def _at_risk(ordered: list[float], times: list[float]) -> list[int]:
    return [len(ordered) - bisect_left(ordered, t) for t in times]


def _finite(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


def _at_half(times: list[float], values: Sequence[float | None]) -> float | None:
    """Return where a curve crosses a half, rounding of the estimate aside.

    Where it lies at exactly a half until it falls again, the middle of that level is taken: for times that
    all ended it is the usual median of an even count. R's `survfit` prints the same (package survival,
    `survmean`, from memory).
    """
    known = [(t, v) for t, v in zip(times, values, strict=True) if v is not None]
    first = next((pair for pair in known if pair[1] <= 0.5 + _ROUNDING), None)
    if first is None or first[1] < 0.5 - _ROUNDING:
        return None if first is None else first[0]
    falls = next((t for t, v in known if v < 0.5 - _ROUNDING), None)
    return first[0] if falls is None else (first[0] + falls) / 2


_ROUNDING = 1e-12
