"""The column of facts: timers, vital signs, doses, tasks, what is being watched, the checklists."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Static

from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.dashboard.widgets.lines import (
    checklist_lines,
    dose_lines,
    newest_stand,
    overdue_lines,
    packed_doses,
    pending_lines,
    vital_lines,
    watch_lines,
)
from tui.dashboard.widgets.room import share
from tui.dashboard.widgets.timers import TimersPanel

LEAST_VITALS, LEAST_WATCH, LEAST_CHECKLISTS = 4, 3, 2
"""Rows that these panels keep at the least, title included, where the terminal is small."""
OTHERS = 2
"""Rows that the others keep before doses and what is overdue are told in fewer words."""
FIRST = (2, 1, 0, 3, 4)
"""The panels in the order in which they get rows: what is overdue or was given is never hidden first."""


def whole(items: list[list[Content]], rows: int) -> tuple[list[Content], int]:
    """Return the first items that fit whole, as rows, and how many they are; at least a part
    of the first.
    """
    lines: list[Content] = []
    for count, item in enumerate(items):
        if len(lines) + len(item) > rows:
            if lines or not rows:
                return lines, count
            *begin, end = item[:rows]
            return [*begin, Content.assemble(end.rstrip(), "…")], 1
        lines += item
    return lines, len(items)


def _rows(items: list[list[Content]]) -> int:
    """Return rows of a panel that shows these items whole, its title included."""
    return 1 + sum(len(item) for item in items)


class Panel(Static):
    """A title and the lines under it; says how many lines did not fit."""

    def show(self, title: str, items: list[list[Content]], rows: int) -> None:
        """Draw as many items, each of one row or more, as fit in `rows` with the title's own."""
        self.display = rows > 0
        if not rows:
            return
        lines, shown = whole(items, rows - 1)
        hidden = len(items) - shown
        heading = Content.styled(title, "bold $heading")
        if not items:
            heading = Content.assemble(heading, ("  none", "$quiet"))
        elif hidden > 0:
            heading = Content.assemble(heading, (f"  +{hidden} more", "bold $urgent"))
        content = Content("\n").join([heading, *lines])
        self.styles.height = rows
        if content != self.content:
            self.update(content, layout=False)


class SideColumn(Vertical):
    """The right-hand column. Panels share its rows by what they hold."""

    class Clicked(Message):
        """A panel was clicked."""

        def __init__(self, panel: str) -> None:
            super().__init__()
            self.panel = panel

    def on_click(self, event: events.Click) -> None:
        """Tell which panel it was."""
        for widget in event.widget.ancestors_with_self if event.widget else ():
            if isinstance(widget, Panel | TimersPanel):
                self.post_message(self.Clicked(widget.id or "timers"))

    def __init__(self, protocol: Protocol) -> None:
        super().__init__(id="side")
        self._protocol = protocol
        self._timers_panel = TimersPanel()
        names = ("vitals", "doses", "tasks", "watch", "checklists")
        self._panels = [Panel(id=name, markup=False) for name in names]

    def compose(self) -> ComposeResult:
        yield self._timers_panel
        yield from self._panels

    def show(self, view: View) -> None:
        """Draw everything in the column at the view's moment."""
        timers = self._timers_panel
        timers.show(view)
        width, most = max(self.size.width, 20), max(self.size.height, 5)
        free = max(self.size.height - timers.rows, 5)
        doses = dose_lines(self._protocol, view, width, most)
        late = overdue_lines(self._protocol, view, width, packed=False)
        if _rows(doses) + _rows(late) > free - OTHERS:
            doses = packed_doses(self._protocol, view, width)
        if _rows(doses) + _rows(late) > free - OTHERS:
            late = overdue_lines(self._protocol, view, width, packed=True)
        titled = [
            ("VITAL SIGNS, age", vital_lines(view, width)),
            ("DOSES GIVEN", doses),
            ("TASKS, due in", [*late, *pending_lines(self._protocol, view, width, most)]),
            ("RULES, WAITS", watch_lines(view, width, most)),
            ("CHECKLISTS", checklist_lines(view, width)),
        ]
        least = (LEAST_VITALS, _rows(doses), max(_rows(late), 2), LEAST_WATCH, LEAST_CHECKLISTS)
        wanted = [_rows(items) for _, items in titled]
        shared = share(free, [wanted[at] for at in FIRST], [least[at] for at in FIRST])
        rows = [given for _, given in sorted(zip(FIRST, shared, strict=True))]
        (vitals, signs), *others = titled
        titled = [(vitals, newest_stand(view, signs, rows[0] - 1)), *others]
        for panel, (title, items), given in zip(self._panels, titled, rows, strict=True):
            panel.show(title, items, given)
