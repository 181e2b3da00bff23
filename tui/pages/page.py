"""A page to read, print or hand over: titled tables, as text for a terminal or as one HTML file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import KW_ONLY, dataclass
from functools import cache
from itertools import groupby, zip_longest

from tui.text.wording import clean


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a title. Every row has as many cells as `head`; a list has a head of one."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    _: KW_ONLY
    note: str = ""
    """A sentence under the rows."""
    none: str = "none"
    """The text that stands where there is no row."""
    flowing: bool = False
    """Rows one after the other as in a paragraph, where they are many and short."""
    wide: bool = False
    """Takes the whole width of a page of several columns."""


@dataclass(frozen=True, slots=True)
class Page:
    """A page to print. `about` are lines under the title, `cautions` stand at the end."""

    title: str
    about: tuple[str, ...]
    tables: tuple[Table, ...]
    cautions: str
    dense: bool = False
    """Whether it takes as few lines as can be: no empty ones, and narrow tables beside each other
    where the terminal is wide. For what is looked up; what is read out stands in one column."""


CAUTIONS = (
    "A training and documentation aid: not a medical device, no alarm system. Recognition makes mistakes."
    " Doses are what the local team's sheet says or what was called out, never advice. Follow local"
    " policy and licensed practice; people remain responsible for hearing each other."
)


NO_BREAK = "\N{NO-BREAK SPACE}"
"""Between what no line end may part, such as a number and its unit."""
ABREAST = 96
"""Columns from which a terminal holds two tables beside each other."""
TORN = 4
"""Cells of one row that stand on several lines each: from so many on, the table is told in sentences."""
SHARES = (0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65)
"""Of the width, that the left one may get."""


def as_text(page: Page, width: int) -> str:
    """Return the page for a terminal of `width` columns (at least 40)."""
    return "\n".join(_text(page, max(width, 40))).replace(NO_BREAK, " ")


def _text(page: Page, width: int) -> Iterator[str]:
    yield clean(page.title).upper()
    for line in page.about:
        yield from textwrap.wrap(clean(line), width)
    yield from _tables(page, width)
    if not page.dense:
        yield ""
    yield from textwrap.wrap(clean(page.cautions), width)


def _tables(page: Page, width: int) -> Iterator[str]:
    if not page.dense:
        for table in page.tables:
            yield from ("", *_table(table, width))
        return
    for narrow, tables in groupby(page.tables, _is_narrow):
        yield from (_abreast if narrow and width >= ABREAST else _stack)(list(tables), width)


def _is_narrow(table: Table) -> bool:
    return not table.flowing and not table.wide


def _abreast(tables: Sequence[Table], width: int) -> list[str]:
    """Tables in two columns, read down the left one first: divided so that they take the fewest lines
    without tearing a word."""
    found = [_stack(tables, width)]
    for at in range(1, len(tables)):
        for share in SHARES:
            left, right = tables[:at], tables[at:]
            wide = round(width * share) - 1
            beside = width - wide - 2
            if all(_narrowest(t) <= w for ts, w in ((left, wide), (right, beside)) for t in ts):
                pairs = zip_longest(_stack(left, wide), _stack(right, beside), fillvalue="")
                found.append([f"{one:{wide}}  {other}".rstrip() for one, other in pairs])
    return min(found, key=len)


def _narrowest(table: Table) -> int:
    """Columns that it takes without tearing a word."""
    across = zip(table.head, *table.rows, strict=True)
    return sum(map(_longest_word, across)) + 2 * (len(table.head) - 1)


def _longest_word(cells: Sequence[str]) -> int:
    return max((len(word) for cell in cells for word in cell.split(" ")), default=1)


def _stack(tables: Sequence[Table], width: int) -> list[str]:
    return [line for table in tables for line in _table(table, width)]


def _table(table: Table, width: int) -> Iterator[str]:
    yield f"-- {clean(table.title)} {'-' * width}"[:width]
    if not table.rows:
        yield table.none
    elif table.flowing:
        yield from textwrap.wrap("; ".join(" ".join(map(clean, row)) for row in table.rows), width)
    elif _narrowest(table) <= width:
        yield from _columns(table, width)
    else:
        yield from _one_by_one(table, width)
    if table.note:
        yield from textwrap.wrap(clean(table.note), width)


def _one_by_one(table: Table, width: int) -> Iterator[str]:
    """Yield each row as a paragraph, its first cell in front; a value keeps to one line where it can."""
    for row in table.rows:
        cells = [
            f"{name} {clean(cell)}".strip()
            for name, cell in zip(table.head[1:], row[1:], strict=True)
            if cell
        ]
        whole = [cell.replace(" ", NO_BREAK) if len(cell) < width // 2 else cell for cell in cells]
        mark = ": " if any(table.head[1:]) else "  "
        words = f"{clean(row[0])}{mark if row[0] and cells else ''}{'; '.join(whole)}"
        yield from textwrap.wrap(words, width, subsequent_indent="  ")


def _columns(table: Table, width: int) -> Iterator[str]:
    rows = [tuple(map(clean, row)) for row in table.rows]
    if any(table.head):
        rows.insert(0, table.head)
    widths = _widths(rows, width)
    cells = [
        [textwrap.wrap(cell, wide) or [""] for cell, wide in zip(row, widths, strict=True)]
        for row in rows
    ]
    # Where most of a row stands in pieces one beside the other nobody finds what belongs together.
    if any(sum(len(pieces) > 1 for pieces in row) >= TORN for row in cells):
        yield from _one_by_one(table, width)
        return
    for row in cells:
        for parts in zip_longest(*row, fillvalue=""):
            line = "  ".join(p.ljust(w) for p, w in zip(parts, widths, strict=True))
            yield line.rstrip()


def _widths(rows: Sequence[tuple[str, ...]], width: int) -> list[int]:
    """As wide as their contents; where that is too wide, one gives way or each a little: what costs
    the fewest lines without tearing a word."""

    @cache
    def height(row: int, at: int, wide: int) -> int:
        return max(len(textwrap.wrap(rows[row][at], wide)), 1)

    def price(widths: Sequence[int]) -> tuple[bool, int, int]:
        lines = sum(max(height(r, i, w) for i, w in enumerate(widths)) for r in range(len(rows)))
        return any(w < least for w, least in zip(widths, words, strict=True)), lines, max(widths)

    def narrower(widths: Sequence[int], at: int, by: int) -> list[int]:
        return [w - by * (i == at) for i, w in enumerate(widths)]

    across = list(zip(*rows, strict=True))
    widths = [max(1, *map(len, cells)) for cells in across]
    words = [_longest_word(cells) for cells in across]
    over = sum(widths) + 2 * (len(widths) - 1) - width
    if over <= 0:
        return widths
    alone = [narrower(widths, at, over) for at, w in enumerate(widths) if w > over]
    for _ in range(over):
        some = [narrower(widths, at, 1) for at, w in enumerate(widths) if w > 1]
        widths = min(some, key=price, default=widths)
    return min([widths, *alone], key=price)


def as_html(page: Page) -> str:
    """Return the page as one HTML file that needs nothing else, made to be printed."""
    import jinja2  # noqa: PLC0415  (only where a page is made)

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tui.pages", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["clean"] = clean
    return environment.get_template("page.html.jinja").render(page=page)
