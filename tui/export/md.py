"""A record to read: the handover and the whole log in Markdown (CommonMark with GFM tables)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from listener.storage.case_reader import StoredCase
from tui.export.exported_case import CAUTION, ExportedCase, Line
from tui.pages.handover import handover_page
from tui.pages.page import Page, Table
from tui.text.wording import clean, clock, station

_SPECIAL = re.compile(r"([\\`*_\[\]<>|~&]|^[#+=-]|(?<=^\d)[.)](?=\s))")
"""Characters that Markdown reads as more than themselves, anywhere or at the beginning of a line."""


def write(case: ExportedCase, stored: StoredCase) -> str:
    """Return the page. Everything that came from a file or a microphone is escaped."""
    page = handover_page(
        case.protocol, case.view, facts=stored.facts, head=stored.head, checked=case.checked
    )
    log = Table(
        "Log",
        ("at", "from", "what", "words", "standing"),
        tuple(_row(case, line) for line in case.lines),
        note=case.counts(),
    )
    title = f"Record: {case.protocol.protocol.title}"
    tables = (*page.tables, log)
    return "\n".join(_page(replace(page, title=title, tables=tables, cautions=CAUTION))) + "\n"


def _row(case: ExportedCase, line: Line) -> tuple[str, ...]:
    said = line.said
    words = f"{line.text} (heard as: {line.heard_as})" if line.heard_as else line.text
    kind = said.role if said else line.kind
    if line.kind == "entered":
        kind = f"{kind}, entered"
    who = station(case.protocol, said.sender) if said else ""
    return (clock(line.t), who, kind, words, line.standing)


def _page(page: Page) -> Iterator[str]:
    yield f"# {escaped(page.title)}"
    yield ""
    yield f"> **Cautions.** {escaped(page.cautions)}"
    yield ""
    for line in page.about:
        yield f"- {escaped(line)}"
    for table in page.tables:
        yield ""
        yield f"## {escaped(table.title)}"
        yield ""
        if table.rows:
            yield _cells(table.head)
            yield "|" + " --- |" * len(table.head)
            yield from map(_cells, table.rows)
        else:
            yield table.none
        if table.note:
            yield ""
            yield escaped(table.note)


def _cells(row: tuple[str, ...]) -> str:
    return f"| {' | '.join(map(escaped, row))} |"


def escaped(text: str) -> str:
    """Return text that Markdown shows as it is."""
    return _SPECIAL.sub(r"\\\1", clean(text))
