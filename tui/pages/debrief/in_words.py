"""Puts a curve, and a comparison of two, into words."""

from __future__ import annotations

from grammar.reports.measures import Comparison, Curve


def median_in_words(found: Curve) -> str:
    """The median time with its interval, as far as either was seen."""
    if found.median is None:
        return "not reached" if found.total else "none"
    if found.median_low is None:
        return f"{found.median:.1f} s"
    to = "or more" if found.median_high is None else f"to {found.median_high:.1f} s"
    return f"{found.median:.1f} s ({found.median_low:.1f} {to})"


def compared_in_words(found: Comparison, first: str = "closed", second: str = "not closed") -> str:
    """A comparison of two groups in a sentence."""
    if not found.first or not found.second:
        return f"Nothing to compare: {found.first} {first}, {found.second} {second}."
    if found.p is None:
        return "Too few came to compare the two."
    told = f"{first} against {second}: log-rank p = {found.p:.3f}"
    if not found.cox_installed:
        return f"{told}; a hazard ratio needs the extra: pip install 'answerback[cox]'."
    if found.hazard_ratio is None or found.low is None or found.high is None:
        return f"{told}; too few for a hazard ratio."
    return (
        f"{told}, hazard ratio {found.hazard_ratio:.2f}"
        f" ({found.low:.2f} to {found.high:.2f}; above 1 the first came sooner)."
    )
