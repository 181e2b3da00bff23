"""The curves of a debrief: times waited, vital signs and doses over time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from markupsafe import Markup

from grammar.case.view import View
from grammar.protocol.model import Protocol
from grammar.reports.handover import Trend
from grammar.reports.measures import HOLDS_S, Curve
from tui.pages.debrief.capping import thinned
from tui.pages.debrief.content import Cell, Figure
from tui.pages.debrief.drawing import (
    dot,
    drawing,
    path,
    rule,
    steps_of,
    text,
    ticks,
    time_axis,
    to_fact,
)
from tui.text.doses import DoseWords
from tui.text.wording import clock, drug

WIDTH, LEFT, RIGHT = 740.0, 64.0, 704.0

THIN = 0.3
"""Units of a drawing below which points of a line are one."""
MOST_POINTS = 2_000
"""Points of a band, and values or doses of a chart, that are drawn."""

Box = tuple[float, float]
"""The top of a strip, and its height."""


def survival(found: Curve, title: str, what: str, *, longest: float, behind: Cell) -> Figure:
    """Return the share still waiting for `what`, in percent, with its 95 % band, up to `longest` seconds.

    `behind` leads to what was counted.
    """
    top, bottom = 12.0, 212.0
    end = longest

    def at(seconds: float, share: float) -> tuple[float, float]:
        return LEFT + (RIGHT - LEFT) * seconds / end, bottom - (bottom - top) * share

    def parts() -> Iterator[Markup]:
        for share in (0, 0.25, 0.5, 0.75, 1):
            y = at(0, share)[1]
            yield rule(LEFT, y, RIGHT, y, style="grid")
            yield text(LEFT - 6, y + 4, f"{100 * share:.0f} %", style="small", anchor="end")
        for t in ticks(0, end):
            x = at(t, 0)[0]
            yield rule(x, top, x, bottom, style="grid")
            yield text(x, bottom + 14, f"{t:.0f} s", style="small", anchor="middle")
        every = max(1, len(found.times) // MOST_POINTS)
        band = [
            (t, low, high)
            for t, low, high in zip(
                found.times[::every], found.low[::every], found.high[::every], strict=True
            )
            if low is not None and high is not None and t <= end
        ]
        if band:
            upper = steps_of([*(at(t, high) for t, _, high in band), at(end, band[-1][2])])
            last = RIGHT
            lower = ""
            for index in range(len(band) - 1, -1, -1):
                x, y = at(band[index][0], band[index][1])
                lower += f"L{last:.1f} {y:.1f}L{x:.1f} {y:.1f}"
                last = x
            yield path(f"{upper}{lower}Z", "band")
        line = [at(0, 1.0)]
        line += [at(t, s) for t, s in zip(found.times, found.waiting, strict=True) if t <= end]
        line.append((RIGHT, line[-1][1]))
        yield path(steps_of(thinned(line, THIN)), "curve")

    half = "" if found.median is not None else f" Fewer than half had {what} as far as was seen."
    told = f"Of {found.total} calls, {found.seen} had {what}.{half}"
    return Figure(
        title,
        drawing(WIDTH, bottom + 22, title, parts()),
        replace(behind, text=told),
        "Share still waiting (line) with its 95 % confidence band (Kaplan-Meier). Calls never"
        " answered count as still waiting.",
    )


def vitals_and_doses(protocol: Protocol, view: View, trends: Sequence[Trend]) -> Figure:
    """Return a strip for each vital sign over the whole case, and the doses below on the same clock."""
    strip, gap, left = 64.0, 12.0, 170.0  # to the left of which the names stand
    doses = sorted(view.doses, key=lambda dose: dose.t)[:MOST_POINTS]
    rows = 3 if len(doses) > 1 else 1
    bottom = 10 + len(trends) * (strip + gap) + (rows * 15 + 10 if doses else 0)
    end = max(view.now, 1.0)
    in_words = DoseWords(protocol, view)

    def x(t: float) -> float:
        return left + (RIGHT - left) * t / end

    def parts() -> Iterator[Markup]:
        yield from time_axis(0, end, x_of=(left, RIGHT), top=6, bottom=bottom)
        y = 10.0
        for trend in trends:
            below = protocol.vitals[trend.id].below if trend.id in protocol.vitals else None
            until = view.now if view.ended is None else min(view.ended, view.now)
            yield from _strip(trend, below, until=until, x=x, box=(y, strip))
            y += strip + gap
        for index, dose in enumerate(doses):
            base = y + 12 + 15 * (index % rows)
            words = f"{drug(protocol, dose.drug)} {in_words.of(dose)}"
            yield rule(x(dose.t), 6, x(dose.t), base - 4, style="dose")
            late = x(dose.t) > RIGHT - 190
            shift = -5 if late else 5
            yield to_fact(
                dose.fact,
                f"{clock(dose.t)} {words} reported given",
                [
                    dot(x(dose.t), base - 4, "dosed"),
                    text(
                        x(dose.t) + shift,
                        base,
                        words,
                        style="small",
                        anchor="end" if late else "start",
                    ),
                ],
            )

    given = f" and {len(doses)} doses reported given" if doses else ""
    names = ", ".join(trend.title for trend in trends) or "no vital sign"
    title = "Vital signs and doses over time"
    return Figure(
        title,
        drawing(WIDTH, bottom + 18, title, parts()),
        Cell(f"{names}{given}; values in the table.", tuple(dose.fact for dose in doses)),
        f"Each value holds until the next is called, for {HOLDS_S:g} s at most: where a line is broken,"
        " nobody had called a value for longer. Left of each line stands its scale; a dashed line is the"
        " threshold below which time is counted.",
    )


def _strip(
    trend: Trend, threshold: float | None, *, until: float, x: Callable[[float], float], box: Box
) -> Iterator[Markup]:
    """One vital sign. Each value holds as in the table of time below, and its line is broken after that."""
    top, height = box
    values = [float(value) for sign in trend.signs for value in (sign.values[0], sign.values[-1])]
    values += [] if threshold is None else [threshold]
    low, high = min(values), max(values)
    span = max(high - low, 1.0)

    def y(value: float) -> float:
        return top + 16 + (height - 30) * (1 - (value - low) / span)

    yield text(2, top + height / 2 + 4, f"{trend.title}, {trend.unit}", style="strip")
    for value in sorted({low, high}):
        yield rule(x(0), y(value), x(until), y(value), style="grid")
        yield text(x(0) - 4, y(value) + 4, f"{value:g}", style="small", anchor="end")
    if threshold is not None:
        yield rule(x(0), y(threshold), x(until), y(threshold), style="threshold")
        yield text(x(until) + 3, y(threshold) + 4, f"{threshold:g}", style="small threshold")
    firsts = [float(sign.values[0]) for sign in trend.signs]
    points = [(x(sign.t), y(value)) for sign, value in zip(trend.signs, firsts, strict=True)]
    times = [sign.t for sign in trend.signs]
    yield path(
        "".join(steps_of(thinned(run, THIN)) for run in _held(times, points, until, x)), "trend"
    )
    previous = -100.0
    shown = list(zip(trend.signs, points, strict=True))
    for sign, (across, down) in shown if len(shown) <= MOST_POINTS else ():
        marks = [dot(across, down, "value")]
        if len(sign.values) > 1:
            marks.append(rule(across, down, across, y(float(sign.values[-1])), style="range"))
        if across - previous > 30:  # room for the number
            marks.append(text(across, down - 6, sign.text, style="small", anchor="middle"))
            previous = across
        yield to_fact(sign.fact, f"{clock(sign.t)} {trend.title} {sign.text} {trend.unit}", marks)


def _held(
    times: Sequence[float],
    points: Sequence[tuple[float, float]],
    until: float,
    x: Callable[[float], float],
) -> Iterator[list[tuple[float, float]]]:
    """Yield the pieces of a line: each goes on as long as its values hold, HOLDS_S at most, to `until`.

    A gap that is too narrow to be drawn breaks none.
    """
    run: list[tuple[float, float]] = []
    for t, point, following in zip(times, points, (*times[1:], None), strict=True):
        run.append(point)
        end = x(max(t, min(t + HOLDS_S, until)))
        if following is None or x(following) - end >= THIN:
            yield [*run, (end, point[1])]
            run = []
