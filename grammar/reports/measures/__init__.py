"""The debrief's statistics: a case in numbers, each with its definition and source.

`measure` takes one case; `pooled`, `curve` and `compare` take what it gives, of one case or of many.
Every number names the facts it rests on. Heavy libraries are imported when a number asks for them.
"""

from __future__ import annotations

from grammar.reports.measures.clusters import FEWEST, median_interval, share_interval
from grammar.reports.measures.shares import (
    NAMES,
    Communication,
    Share,
    by_call,
    by_station,
    communication,
    is_clean,
    is_order,
    of_announcements,
    of_loops,
    of_orders,
    pooled,
    share,
)
from grammar.reports.measures.signs import HOLDS_S, Below, Sign, below, signs, thresholds
from grammar.reports.measures.speech import Speech, speech
from grammar.reports.measures.stretches import Measured, Stretch, measured, phases, stretches
from grammar.reports.measures.survival import Comparison, Curve, compare, curve
from grammar.reports.measures.times import (
    RESOLUTION_S,
    Observation,
    closed_and_not,
    times_to_done,
    times_to_read_back,
)
from grammar.reports.measures.whole import Measures, measure

__all__ = [
    "FEWEST",
    "HOLDS_S",
    "NAMES",
    "RESOLUTION_S",
    "Below",
    "Communication",
    "Comparison",
    "Curve",
    "Measured",
    "Measures",
    "Observation",
    "Share",
    "Sign",
    "Speech",
    "Stretch",
    "below",
    "by_call",
    "by_station",
    "closed_and_not",
    "communication",
    "compare",
    "curve",
    "is_clean",
    "is_order",
    "measure",
    "measured",
    "median_interval",
    "of_announcements",
    "of_loops",
    "of_orders",
    "phases",
    "pooled",
    "share",
    "share_interval",
    "signs",
    "speech",
    "stretches",
    "thresholds",
    "times_to_done",
    "times_to_read_back",
]
