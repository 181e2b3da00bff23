"""Small pieces of SVG. Colours are classes; the stylesheet gives them for light, dark and print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup

from tui.text.wording import clock


def drawing(width: float, height: float, label: str, parts: Iterable[Markup]) -> Markup:
    """Return a whole drawing of so many units, with `label` for who cannot see it."""
    inside = Markup("").join(parts)
    return Markup(
        '<svg viewBox="0 0 {:g} {:g}" width="{:g}" height="{:g}" role="group" aria-label="{}">{}</svg>'
    ).format(width, height, width, height, label, inside)


def text(x: float, y: float, words: str, *, style: str = "", anchor: str = "start") -> Markup:
    """Return words, their baseline at `y`."""
    return Markup('<text x="{:.1f}" y="{:.1f}" class="{}" text-anchor="{}">{}</text>').format(
        x, y, style, anchor, words
    )


def rect(x: float, y: float, width: float, height: float, *, style: str) -> Markup:
    """Return a box, at least wide enough to be seen."""
    return Markup(
        '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" class="{}" rx="1.5"/>'
    ).format(x, y, max(width, 1.5), height, style)


def rule(x1: float, y1: float, x2: float, y2: float, *, style: str) -> Markup:
    """Return a straight line."""
    return Markup('<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" class="{}"/>').format(
        x1, y1, x2, y2, style
    )


def path(steps: str, style: str) -> Markup:
    """Return a path, written in SVG's path notation."""
    return Markup('<path d="{}" class="{}"/>').format(steps, style)


def dot(x: float, y: float, style: str, radius: float = 3) -> Markup:
    """Return a point."""
    return Markup('<circle cx="{:.1f}" cy="{:.1f}" r="{:g}" class="{}"/>').format(
        x, y, radius, style
    )


def linked(to: str, told: str, inside: Iterable[Markup]) -> Markup:
    """Something that leads to the place `to`, an id; `told` is its name."""
    return Markup('<a href="#{}" aria-label="{}"><title>{}</title>{}</a>').format(
        to, told, told, Markup("").join(inside)
    )


def to_fact(fact: int, told: str, inside: Iterable[Markup]) -> Markup:
    """Something that leads to its fact in the log."""
    return linked(f"f{fact}", told, inside)


def steps_of(
    points: Sequence[tuple[float, float]],
) -> str:
    """Return a staircase through these points: level until the next one."""
    if not points:
        return ""
    first, *rest = points
    found = f"M{first[0]:.1f} {first[1]:.1f}"
    for x, y in rest:
        found += f"H{x:.1f}V{y:.1f}"
    return found


def ticks(low: float, high: float, most: int = 8) -> list[float]:
    """Round values from `low` to `high`, at most so many and one."""
    span = max(high - low, 1e-9)
    for step in (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200):
        if span / step <= most:
            first = -(-low // step) * step
            return [first + step * i for i in range(int((high - first) / step + 1e-9) + 1)]
    return [low, high]


def time_axis(
    begin: float, end: float, *, x_of: tuple[float, float], top: float, bottom: float
) -> Iterable[Markup]:
    """Yield lines and times from `begin` to `end` seconds; `x_of` is where these two lie."""
    left, right = x_of
    for t in ticks(begin, end, 9):
        x = left + (right - left) * (t - begin) / max(end - begin, 1e-9)
        yield rule(x, top, x, bottom, style="grid")
        yield text(x, bottom + 11, clock(t), style="small", anchor="middle")
