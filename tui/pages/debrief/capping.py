"""Bounds on what a page shows of a very long case, each with a sentence that says so.

A ward's week would make a page of gigabytes, which no browser opens. All numbers still count everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TypeVar

from tui.pages.debrief.content import Cell, Figure, Grid, Items, Log, Part, Section, Tiles

T = TypeVar("T")

LOG_LINES, ROWS, ITEMS, LINKS = 20_000, 400, 200, 300
"""Lines of the log, rows of a table, moments of a list, and links of one number."""

STORY_ROWS = 40
"""Rows of the score, of three minutes each: two hours."""


def section(id_: str, title: str, parts: Iterable[Part], intro: str = "") -> Section:
    """Return a section with its lists as short as a browser can take.

    Each part is made short before the next is made, so that the lists of all need not fit in memory.
    """
    return Section(id_, title, tuple(_part(part) for part in parts), intro)


def first_rows(found: Sequence[T]) -> Sequence[T]:
    """Return the things of which rows are made, of very many the first: `Grid.of` tells how many."""
    return found[:ROWS]


def only_first(shown: int, of: int, what: str) -> str:
    """Return the sentence that says that only the first are shown; "" where all are."""
    if shown >= of:
        return ""
    return f"Only the first {shown} of {of} {what} are shown; the numbers count all of them."


def _part(part: Part) -> Part:
    match part:
        case Tiles():
            return replace(part, tiles=tuple((w, short_cell(cell)) for w, cell in part.tiles))
        case Grid():
            rows = tuple(tuple(short_cell(cell) for cell in row) for row in part.rows[:ROWS])
            whole = max(part.of, len(part.rows))
            note = f"{only_first(ROWS, whole, 'rows')} {part.note}".strip()
            found = short_cell(part.found) if part.found else None
            return replace(part, rows=rows, note=note, found=found)
        case Figure():
            return replace(part, told=short_cell(part.told))
        case Items():
            told = only_first(ITEMS, len(part.items), "moments")
            return replace(part, items=part.items[:ITEMS], note=f"{told} {part.note}".strip())
        case Log():
            return part
        case _:
            return part


def short_cell(cell: Cell) -> Cell:
    """Return a cell with as many links as one number may have."""
    if len(cell.facts) + len(cell.others) <= LINKS:
        return cell
    facts, others = cell.facts[:LINKS], cell.others[: LINKS - len(cell.facts[:LINKS])]
    left = len(cell.facts) + len(cell.others) - len(facts) - len(others)
    return replace(cell, facts=facts, others=others, more=left)


def thinned(points: Sequence[tuple[float, float]], least: float) -> list[tuple[float, float]]:
    """Return the points of a line without those that lie nearer than `least` to the last one kept, in
    both directions; the ends stay."""
    kept: list[tuple[float, float]] = []
    for x, y in points:
        if not kept or abs(x - kept[-1][0]) >= least or abs(y - kept[-1][1]) >= least:
            kept.append((x, y))
    if points and kept[-1] != points[-1]:
        kept.append(points[-1])
    return kept
