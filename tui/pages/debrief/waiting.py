"""The times of a case as a curve and tables: to the read-back, to the task done, phases and waits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from grammar.reports.measures import RESOLUTION_S, Curve, Measured, Observation, compare, curve
from tui.pages.debrief.analysed_case import AnalysedCase, facts_of
from tui.pages.debrief.capping import first_rows
from tui.pages.debrief.charts import survival
from tui.pages.debrief.content import Cell, Grid, Part, plain
from tui.pages.debrief.in_words import FEW, compared_in_words, time_in_words
from tui.text.wording import clean, clock, duration

RESOLUTION = (
    f"Times are as exact as the ends of words were heard, {RESOLUTION_S:g} s: what lies closer together is"
    " not told apart."
)
COUNTED = (
    "A time to the read-back counts from the end of the call as it was first said to the beginning of the"
    " answer that agrees, a window from that end or from the end of a later “say again” or correction, and"
    " a time to the task done from the beginning of the order to the beginning of its report."
)
CONVENTION = (
    "Medians by Kaplan and Meier with 95 % intervals, those that never came counted as still waiting;"
    f" of fewer than {FEW} the times themselves."
)


def waiting_parts(case: AnalysedCase) -> Iterator[Part]:
    """Yield the curve of the orders first."""
    found = case.measures
    waited = curve(found.read_back)
    if found.read_back:
        longest = max((one.seconds for one in found.read_back if one.seen), default=10.0)
        behind = Cell("", tuple(one.facts[0] for one in found.read_back))
        yield survival(
            waited,
            "Orders: time to read-back",
            "an answer",
            longest=max(longest * 1.1, 10.0),
            behind=behind,
        )
    rows = (
        ("orders, to the read-back", found.read_back),
        ("announcements and reports, to the answer", found.read_back_others),
        ("orders, to the task done", found.done),
        ("orders closed, to the task done", found.done_closed),
        ("orders not closed, to the task done", found.done_not_closed),
    )
    compared = compare(found.done_closed, found.done_not_closed)
    orders = (*found.done_closed, *found.done_not_closed)
    yield Grid(
        "Times waited",
        ("of, to", "watched", "came", "median, 95 % interval"),
        tuple(
            (plain(words), *_row(observed, waited if observed is found.read_back else None))
            for words, observed in rows
        ),
        note=f"{RESOLUTION} {CONVENTION}",
        found=Cell(compared_in_words(compared), facts_of(orders)),
    )
    yield _stretches("Phases", found.phases)
    yield _stretches("Waits, limits and other times", found.measured)


def _row(observed: Sequence[Observation], known: Curve | None = None) -> tuple[Cell, ...]:
    facts = tuple(one.facts[0] for one in observed if one.facts)
    seen = tuple(one.facts[-1] for one in observed if one.seen and one.facts)
    return (
        Cell(str(len(observed)), facts),
        Cell(str(len(seen)), seen, () if seen else facts),
        Cell(time_in_words(observed, known), facts_of(observed)),
    )


def _stretches(title: str, measured: Iterable[Measured]) -> Grid:
    found = [(each.title, one) for each in measured for one in each.stretches]
    rows = []
    for what, one in first_rows(found):
        going = "" if one.ended is not None else ", not ended"
        length = Cell(duration(round(one.seconds)) + going, one.facts)
        span = f"{clock(one.began)} to {clock(one.ended) if one.ended is not None else 'the end'}"
        rows.append((plain(clean(what)), Cell(span, one.facts[:1]), length))
    return Grid(title, ("what", "from, to", "length"), tuple(rows), of=len(found))
