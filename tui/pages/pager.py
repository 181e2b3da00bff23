"""A page that a command printed, to be read from its beginning."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Static

from tui.text.wording import clean_lines

MARGIN = 3
"""Columns beside the page: a blank on either side, and the scroll bar."""


class Pager(Screen[None]):
    """The page; arrows scroll, Esc, Enter or q goes back."""

    CSS = """
    #page { height: 1fr; padding: 0 1; background: $ground; scrollbar-size-vertical: 1; }
    #page Static { height: auto; }
    #how { dock: bottom; height: 1; background: $raised; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,q", "dismiss(None)", "back", priority=True)
    ]

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = clean_lines(text).strip("\n")

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="page"):
            yield Static(self._text, markup=False)
        keys = (("↑↓ PgUp PgDn Home End", "read"), ("Esc", "back to the desk"))
        parts = [((key, "bold $heading"), (f" {what}  ", "$quiet")) for key, what in keys]
        yield Static(Content.assemble(*(part for pair in parts for part in pair)), id="how")
