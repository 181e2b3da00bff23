"""Puts times, and a comparison of two groups of them, into words."""

from __future__ import annotations

from collections.abc import Sequence

from grammar.reports.measures import RESOLUTION_S, Comparison, Curve, Observation, curve
from tui.text.wording import clock, duration

FEW = 5
"""Below so many times there is no median: the times themselves are told."""


def time_in_words(observed: Sequence[Observation], found: Curve | None = None) -> str:
    """Return the median with its interval, or the times themselves where they are few.

    `found` is their curve, where it is known. Without an interval the range stands beside the median.
    """
    if not observed:
        return "none"
    if len(observed) < FEW:
        return ", ".join(_one(x) for x in sorted(observed, key=lambda x: (not x.seen, x.seconds)))
    found = found or curve(observed)
    if found.median is None:
        came = [x.seconds for x in observed if x.seen]
        least = f"; those that came {_range(came)}" if came else ""
        return f"fewer than half came{least}"
    return f"{seconds(found.median)} ({_interval(found, observed)})"


def _interval(found: Curve, observed: Sequence[Observation]) -> str:
    if found.median_low is None:
        return f"range {_range([x.seconds for x in observed])}"
    return span(found.median_low, found.median_high)


def _range(times: Sequence[float]) -> str:
    return span(min(times), max(times))


def span(low: float, high: float | None) -> str:
    """Return from when to when, in seconds or minutes; without `high` the end was never reached."""
    if high is None:
        return f"{seconds(low)} or more"
    first = seconds(low) if high >= _MINUTES else f"{low:.1f}"
    return f"{first} to {seconds(high)}"


def seconds(value: float) -> str:
    """Return a time in seconds to a tenth, a long one in minutes."""
    return f"{value:.1f} s" if value < _MINUTES else duration(round(value))


_MINUTES = 120


def _one(observed: Observation) -> str:
    if observed.seen:
        return seconds(observed.seconds)
    return f"never in {clock(observed.seconds)}"


def ranked(first: Sequence[Observation], second: Sequence[Observation]) -> bool:
    """Return whether two groups' medians lie further apart than times are exact, so that they may be
    told apart at all."""
    medians = curve(first).median, curve(second).median
    if medians[0] is None or medians[1] is None:
        return True
    return abs(medians[0] - medians[1]) > RESOLUTION_S


def not_ranked(first: str, second: str) -> str:
    """Return the sentence that stands in place of a comparison."""
    return (
        f"{first} and {second} are not ranked: their medians lie within {RESOLUTION_S:g} s, which is as"
        " exact as the ends of words are heard."
    )


CAUTION = (
    " Read with caution: calls of one team are not independent, and the test counts them as if they were,"
    " so p is too small and the interval too narrow."
)


def compared_in_words(found: Comparison, first: str = "closed", second: str = "not closed") -> str:
    """Return a comparison of two groups in a sentence, with the caution that belongs to it."""
    if not found.first or not found.second:
        if not found.first and not found.second:
            return "Nothing to compare: there is none."
        every, none = (first, second) if found.first else (second, first)
        return f"Nothing to compare: all {found.first or found.second} are {every}, none is {none}."
    if found.p is None:
        return "Too few came to compare the two."
    few = min(found.first, found.second) < FEW
    caution = CAUTION + (" There are too few to rely on either." if few else "")
    told = f"{first} against {second}: log-rank p = {found.p:.3f}"
    if not found.cox_installed:
        return f"{told}; a hazard ratio needs the extra: pip install 'answerback[cox]'.{caution}"
    if found.hazard_ratio is None or found.low is None or found.high is None:
        return f"{told}; too few for a hazard ratio.{caution}"
    return (
        f"{told}, hazard ratio {found.hazard_ratio:.2f}"
        f" ({found.low:.2f} to {found.high:.2f}; above 1 the first came sooner).{caution}"
    )
