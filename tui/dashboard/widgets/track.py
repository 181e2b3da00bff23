"""Where a replay stands: the whole case as one line with its moments, and a line of words below."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Input, Static

from tui.pages.debrief.moments import KIND_SIGNS, Moment
from tui.text.wording import clean, clock

_ORDER = ("note", "mark", "again", "another", "late", "unanswered", "finding", "differs")
"""Where two fall on one cell the later of these is drawn."""


class Track(Vertical):
    """The line of the whole case, and below it in one row or two what was jumped to, or a
    field to type in.
    """

    DEFAULT_CSS = """
    Track { height: auto; padding: 0 1; background: $raised; color: $ink; }
    Track > * { height: 1; }
    Track #told { height: auto; max-height: 2; }
    Track #prompt { background: $ground; color: $ink; border: none; padding: 0; }
    """

    def compose(self) -> ComposeResult:
        yield Static(id="line", markup=False)
        yield Static(id="told", markup=False)
        prompt = Input(id="prompt", compact=True)
        prompt.display = False
        yield prompt

    def show(self, now: float, end: float, moments: Sequence[Moment], told: str) -> None:
        """Draw the line for the moment `now` of a case of `end` seconds."""
        if not self.query("#told"):
            return  # not put together yet
        first, last = f"{clock(now):>7} ", f" {clock(end)}"
        content = Content.assemble(
            (first, "bold $ink"),
            *line(now, end, moments, self.size.width - len(first) - len(last)),
            (last, "$quiet"),
        )
        drawn = self.query_one("#line", Static)
        if content != drawn.content:
            drawn.update(content, layout=False)
        words = self.query_one("#told", Static)
        if told != words.content:
            words.update(clean(told))


def line(now: float, end: float, moments: Sequence[Moment], width: int) -> list[tuple[str, str]]:
    """Return the case as `width` cells in (text, style) pairs."""
    width = max(width, 8)

    def cell(t: float) -> int:
        return min(int(t / end * width), width - 1) if end > 0 else 0

    cells = [("─", "$quiet")] * width
    for at in range(cell(now)):
        cells[at] = ("━", "$heading")
    for moment in sorted(moments, key=lambda each: _ORDER.index(each.kind)):
        style = "bold $ink" if moment.kind in ("mark", "note") else "bold $urgent"
        cells[cell(moment.t)] = (KIND_SIGNS[moment.kind], style)
    here = cell(now)
    cells[here] = (cells[here][0] if cells[here][0] in KIND_SIGNS.values() else "●", "bold reverse")
    return cells
