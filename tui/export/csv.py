"""Rows for a spreadsheet: RFC 4180, UTF-8, one row a line of the log."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from tui.export.exported_case import CAUTION, ExportedCase, Line
from tui.text.wording import clean, slots_in_words

COLUMNS = (
    *(
        "seq",
        "t_s",
        "until_s",
        "wall_time",
        "kind",
        "channel",
        "from",
        "to",
        "role",
        "call",
        "slots",
    ),
    *("text", "heard_as", "confidence", "unsure", "amended", "withdrawn", "flags", "loop"),
    "loop_state",
)

_FORMULA = tuple("=+-@\t\r\n＝＋－＠")
"""Characters that a spreadsheet may take for a formula (OWASP, CSV Injection), full-width forms
included."""


def safe(cell: str) -> str:
    """Return the cell with an apostrophe before what a spreadsheet would compute (OWASP, CSV Injection)."""
    return f"'{cell}" if cell.lstrip(" ").startswith(_FORMULA) else cell


def write(case: ExportedCase) -> str:
    """Return the whole file; the last row is the cautions. Times in seconds on the case's clock."""
    text = io.StringIO()
    # RFC 4180 ends lines with CR LF, and doubles quotes.
    rows = csv.writer(text, lineterminator="\r\n")
    rows.writerow(COLUMNS)
    states = case.states()
    for line in case.lines:
        rows.writerow([safe(cell) for cell in _row(case, line, states)])
    notes = dict.fromkeys(COLUMNS, "") | {"kind": "caution", "text": f"{case.counts()} {CAUTION}"}
    rows.writerow([safe(cell) for cell in notes.values()])
    return text.getvalue()


def _row(case: ExportedCase, line: Line, states: dict[int, str]) -> Iterator[str]:
    said = line.said
    yield from ("" if line.seq is None else str(line.seq), f"{line.t:.2f}", f"{line.until:.2f}")
    yield from (case.wall(line.t), line.kind)
    if said is None:
        yield from ("",) * 6
    else:
        yield from (str(said.channel), said.sender or "", said.to or "", said.role, said.call or "")
        yield slots_in_words(case.protocol, said.call or "", said.slots)
    yield from (clean(line.text), clean(line.heard_as))
    yield f"{said.confidence:.3f}" if said is not None else ""
    yield from (_yes(line.unsure), _yes(line.amended), _yes(line.withdrawn))
    yield " ".join(said.flags) if said is not None else ""
    loop = said.loop if said is not None else None
    yield from ("", "") if loop is None else (str(loop), states.get(loop, ""))


def _yes(true: bool) -> str:
    return "yes" if true else ""
