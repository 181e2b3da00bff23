"""A page to read, print or hand over: titled tables, as text for a terminal or as one HTML file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from grammar.errors import UserError
from listener.private import private_text
from tui.wording import clean


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a title. Every row has as many cells as `head`; a list has a head of one."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    """A sentence under the rows."""
    none: str = "none"
    """What stands where there is no row."""
    flowing: bool = False
    """Rows one after the other as in a paragraph, where they are many and short."""


@dataclass(frozen=True, slots=True)
class Page:
    """What is printed. `about` are lines under the title, `cautions` stand at the end."""

    title: str
    about: tuple[str, ...]
    tables: tuple[Table, ...]
    cautions: str


CAUTIONS = (
    "A training and documentation aid: not a medical device, no alarm system. Recognition makes mistakes."
    " Doses are what the local team's sheet says or what was called out, never advice. Follow local"
    " policy and licensed practice; people remain responsible for hearing each other."
)


def as_text(page: Page, width: int) -> str:
    """The page for a terminal of `width` columns (at least 40)."""
    return "\n".join(_text(page, max(width, 40)))


def _text(page: Page, width: int) -> Iterator[str]:
    yield clean(page.title).upper()
    for line in page.about:
        yield from textwrap.wrap(clean(line), width)
    for table in page.tables:
        yield ""
        yield f"-- {clean(table.title)} {'-' * width}"[:width]
        if not table.rows:
            yield table.none
        elif table.flowing:
            yield from textwrap.wrap(
                "; ".join(" ".join(map(clean, row)) for row in table.rows), width
            )
        else:
            yield from _columns(table, width)
        if table.note:
            yield from textwrap.wrap(clean(table.note), width)
    yield ""
    yield from textwrap.wrap(clean(page.cautions), width)


def _columns(table: Table, width: int) -> Iterator[str]:
    rows = [tuple(map(clean, row)) for row in table.rows]
    if any(table.head):
        rows.insert(0, table.head)
    widths = _widths(rows, width)
    for row in rows:
        cells = [textwrap.wrap(cell, wide) or [""] for cell, wide in zip(row, widths, strict=True)]
        for at in range(max(map(len, cells))):
            parts = [cell[at] if at < len(cell) else "" for cell in cells]
            line = "  ".join(p.ljust(w) for p, w in zip(parts, widths, strict=True))
            yield line.rstrip()


def _widths(rows: Sequence[tuple[str, ...]], width: int) -> list[int]:
    """As wide as their contents; where that is too wide, the widest give way first."""
    widths = [max(1, *(len(row[at]) for row in rows)) for at in range(len(rows[0]))]
    while sum(widths) + 2 * (len(widths) - 1) > width and max(widths) > 3:
        widths[widths.index(max(widths))] -= 1
    return widths


def as_html(page: Page) -> str:
    """The page as one HTML file that needs nothing else, made to be printed."""
    import jinja2  # noqa: PLC0415  (only where a page is made)

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tui", "."), autoescape=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["clean"] = clean
    return environment.get_template("page.html.jinja").render(page=page)


def write_html(page: Page, path: Path) -> None:
    """Write the page. Raises UserError where it cannot."""
    try:
        private_text(path, as_html(page))
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror})") from None
