"""Intervals of what many cases come to: calls of one case or team are not independent.

The cluster bootstrap (Davison and Hinkley, Bootstrap Methods and their Application, 1997, section 3.8):
whole cases or teams are drawn with replacement, and the middle 95 % of what the draws come to is the
interval. The draws are the same on every run.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grammar.reports.measures.times import Observation

FEWEST = 5
"""Of fewer clusters no interval can be drawn: their own values are told instead. Common practice, no
source; with so few the bootstrap is known to be too narrow."""

SHARE_DRAWS, MEDIAN_DRAWS = 4000, 1000
_SEED = 1

Interval = tuple[float, float]


def share_interval(parts: Sequence[tuple[int, int]]) -> Interval | None:
    """Return the 95 % interval of a share pooled over clusters, each given as count and total.

    None where fewer than FEWEST have anything to count.
    """
    import numpy as np  # noqa: PLC0415

    some = [part for part in parts if part[1]]
    if len(some) < FEWEST:
        return None
    counts, totals = np.array(some, float).T
    drawn = _draws(SHARE_DRAWS, len(some))
    shares = counts[drawn].sum(axis=1) / totals[drawn].sum(axis=1)
    low, high = np.percentile(shares, (2.5, 97.5))
    return float(low), float(high)


def median_interval(clusters: Sequence[Sequence[Observation]]) -> Interval | None:
    """Return the 95 % interval of the Kaplan-Meier median of the times of several clusters.

    None where fewer than FEWEST have any. An end that a draw never reached is infinite.
    """
    import numpy as np  # noqa: PLC0415

    some = [cluster for cluster in clusters if cluster]
    if len(some) < FEWEST:
        return None
    rows = sorted((one.seconds, one.seen, at) for at, group in enumerate(some) for one in group)
    seconds = np.array([row[0] for row in rows])
    seen = np.array([row[1] for row in rows], float)
    cluster = np.array([row[2] for row in rows])
    begins = np.flatnonzero(np.r_[True, seconds[1:] != seconds[:-1]])
    medians = []
    for drawn in _draws(MEDIAN_DRAWS, len(some)):
        weight = np.bincount(drawn, minlength=len(some))[cluster].astype(float)
        at_risk = weight[::-1].cumsum()[::-1][begins]
        came = np.add.reduceat(weight * seen, begins)
        waiting = np.cumprod(1 - came / np.where(at_risk > 0, at_risk, 1))
        half = np.flatnonzero(waiting <= 0.5 + 1e-9)
        medians.append(seconds[begins[half[0]]] if len(half) else np.inf)
    ordered = np.sort(medians)
    return float(ordered[int(0.025 * MEDIAN_DRAWS)]), float(ordered[int(0.975 * MEDIAN_DRAWS) - 1])


def _draws(count: int, clusters: int) -> Any:
    """Return so many draws of all clusters with replacement, shape (count, clusters)."""
    import numpy as np  # noqa: PLC0415

    return np.random.default_rng(_SEED).integers(0, clusters, (count, clusters))
