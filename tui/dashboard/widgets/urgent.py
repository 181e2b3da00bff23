"""The most urgent thing, on a line of its own that nothing covers and no terminal is too small for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.dashboard.keys import KeyMap
from tui.dashboard.palette import STATE_COLOURS, state_badge
from tui.dashboard.widgets.large import large, largest
from tui.text.urgent import CALLED, Kind, Urgent, most_urgent
from tui.text.wording import UNCLEAR_WORDS, UNSURE_WORDS, clock

TALL, TALLEST = 30, 50
"""Rows of the terminal from which figures stand in large digits, and in the largest."""
COLOURS: dict[Kind, str] = {
    "help": state_badge("unanswered"),
    "differs": state_badge("differs"),
    "unanswered": state_badge("unanswered"),
    "time-up": state_badge("unanswered"),
    "overdue": state_badge("unanswered"),
    "open": f"bold {STATE_COLOURS['open']} on $raised",
    "behind": f"bold {STATE_COLOURS['unanswered']} on $raised",
    "none": f"{STATE_COLOURS['answered']} on $raised",
}
DOUBT_STYLES = {UNSURE_WORDS: "bold $urgent"}
"""Colours of large digits in doubt, as the doubt has them in the log."""
LEAST_WORDS = 34
"""Cells that the words keep beside large digits."""


class UrgentLine(Static):
    """The most urgent thing, in one row on a low terminal and in three with large digits on a tall one."""

    def __init__(self, protocol: Protocol, keys: KeyMap | None = None) -> None:
        """With `keys` it names the key that settles what it shows."""
        super().__init__(id="urgent", markup=False)
        self._protocol, self._keymap = protocol, keys

    def below(self, header: Widget) -> None:
        """Stand below the header, which is docked to the same edge."""
        rows = int(header.styles.height.cells or 0) if header.styles.height else 0
        if self.styles.margin.top != rows:
            self.styles.margin = (rows, 0, 0, 0)

    def show(self, view: View) -> None:
        """Draw the most urgent thing at the view's moment."""
        width = max(self.app.size.width, 20)
        tall = self.app.size.height >= TALL
        found = most_urgent(self._protocol, view)
        if self._keymap and found.settles:
            key = self._keymap.shown(found.settles)
            found = replace(found, wrong=f"{key}: yes or no?  {found.wrong}")
        drawn = largest if self.app.size.height >= TALLEST else large
        lines = in_rows(found, width, drawn) if tall else [in_a_row(found, width)]
        if self.styles.height is None or self.styles.height.cells != len(lines):
            self.styles.height = len(lines)
        style = COLOURS[found.kind]
        content = Content("\n").join(
            [
                line.pad_right(max(width - line.cell_length, 0)).stylize_before(style)
                for line in lines
            ]
        )
        if content != self.content:
            self.update(content, layout=False)


def in_a_row(found: Urgent, width: int) -> Content:
    """Return one row: what, to whom, what is wrong, how long. The words of the call are cut first."""
    age = f"  {clock(found.age_s)}" if found.age_s is not None else ""
    wrong = f"  {found.wrong}" if found.wrong else ""
    to = f" → {found.to}" if found.to else ""
    room = width - len(age) - 4
    short = wrong.partition(CALLED)[0]  # the call itself says what was called
    # That a number is unclear decides: sooner the addressee goes, who stands in the log too.
    without = found.what.removesuffix(f" {UNCLEAR_WORDS}")
    for middle in (
        f"{found.what}{to}{wrong}",
        f"{found.what}{to}{short}",
        f"{found.what}{wrong}",
        f"{found.what}{short}",
        f"{without}{short}",
    ):
        if len(middle) <= room:
            break
    else:
        middle = f"{found.what[: max(room - len(short) - 1, 8)]}…{short}"[:room]
    return Content(f" {found.mark:<2} {middle}{age}")


def in_rows(found: Urgent, width: int, draw: Callable[[str], list[str]]) -> list[Content]:
    """Return the words, and beside them the figures called and the time as `draw` draws them."""
    age = clock(found.age_s) if found.age_s is not None else ""
    figures = found.figures
    if figures and found.doubt:
        # A glance takes large digits for certain: a doubted value stands in the words alone.
        certain = "?" if found.doubt == UNSURE_WORDS else figures
        figures = f"{certain} {found.doubt}"
    for shown in (f"{figures}   {age}", age, ""):
        digits = draw(shown.strip())
        beside = max(map(len, digits))
        if width - beside >= LEAST_WORDS:
            break
    # On the ground of a colour the sign alone says it.
    plain = found.kind in ("open", "behind")
    style = DOUBT_STYLES.get(found.doubt, "") if plain and shown.startswith(figures) else ""
    room = width - beside - 6
    to = f"→ {found.to}" if found.to else ""
    words = [f"{found.mark:<2} {found.what}", f"   {to}" if to else "", f"   {found.wrong}"]
    words = [text for text in words if text.strip()]
    words = [""] * ((len(digits) - len(words)) // 2) + words
    words += [""] * (len(digits) - len(words))
    rows = []
    for text, row in zip(words, digits, strict=True):
        cut = text if len(text) <= room else f"{text[: room - 1]}…"
        rows.append(Content.assemble(f" {cut:<{room}}   ", (row, style)))
    return rows
