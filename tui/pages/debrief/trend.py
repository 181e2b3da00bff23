"""A share of each case over the date on which it began; lines join only like with like."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from grammar.reports.measures import share
from tui.pages.debrief.content import Cell, Figure
from tui.pages.debrief.drawing import dot, drawing, linked, path, rule, text
from tui.pages.debrief.groups import ListedCase, Numbers, joined_by, like, named

TRENDS = ("clean", "directed", "closed")
"""The shares drawn over time."""

MANY, VERY_MANY = 60, 200
"""Cases from which intervals and lines, and then large points, would hide more than they show."""


def trend(
    cases: Sequence[ListedCase], name: str, title: str, numbers: Numbers, *, join_teams: bool
) -> Figure:
    """Return a share of each case over its date, with the interval of each."""
    width, left, right, top, bottom = 740.0, 64.0, 704.0, 24.0, 174.0
    dated = [(began.timestamp(), case) for case in cases if (began := case.began)]
    first = min((t for t, _ in dated), default=0.0)
    span = max(max((t for t, _ in dated), default=1.0) - first, 1.0)
    lines: dict[tuple[object, ...], list[tuple[float, float]]] = {}

    def parts() -> Iterator[Markup]:
        def y(value: float) -> float:
            return bottom - (bottom - top) * value

        for value in (0.0, 0.25, 0.5, 0.75, 1.0):
            yield rule(left, y(value), right, y(value), style="grid")
            yield text(left - 6, y(value) + 4, f"{100 * value:.0f} %", style="small", anchor="end")
        for t, case in dated:
            found = share(*case.summary.shares[name])
            if found.value is None:
                continue
            x = left + 8 + (right - left - 16) * (t - first) / span
            if len(dated) <= MANY:
                yield rule(x, y(found.low), x, y(found.high), style="spread")
            yield linked(
                numbers.place(case, name),
                f"{case.summary.began[:10]} {named(case)}: {found.count} of {found.total}",
                [dot(x, y(found.value), "value", 3 if len(dated) <= VERY_MANY else 1.6)],
            )
            key = like(case, join_teams=join_teams)
            if key is not None:
                lines.setdefault(key, []).append((x, y(found.value)))
        for key, line in lines.items():
            if len(line) > 1 and len(dated) <= MANY:
                yield path("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in line), "trend")
                x, above = line[-1]
                anchor = "end" if x > (left + right) / 2 else "start"
                yield text(x, above - 6, joined_by(key), style="small", anchor=anchor)
        days = dict.fromkeys(dated[at][1].summary.began[:10] for at in (0, -1) if dated)
        ends = (("start", left), ("end", right)) if len(days) > 1 else (("start", left),)
        for day, (anchor, x) in zip(days, ends, strict=False):
            yield text(x, bottom + 16, day, style="small", anchor=anchor)

    told = f"{title}, of {len(dated)} cases with a date; values in the list of cases."
    return Figure(title, drawing(width, bottom + 24, title, parts()), Cell(told, link="cases"))
