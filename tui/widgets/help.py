"""The help screen, made from the table of keys. It takes the log's place; calls stay in sight."""

from __future__ import annotations

from collections.abc import Iterable

from textual.binding import Binding
from textual.content import Content
from textual.widgets import Static

from tui.wording import ROLE_WORDS, STATE_MARKS, STATE_WORDS

_ROLES = {
    "call": "a call, or an order",
    "read-back": "repeats what was called",
    "acknowledgement": "heard, nothing repeated",
    "proword": "say again, correction and their like",
    "unrecognised": "no phrase of the protocol",
}


class Help(Static):
    """Keys first, then what the marks mean."""

    def show(self, bindings: Iterable[Binding]) -> None:
        """Fills the help from these bindings."""
        lines = [Content.styled("HELP: keys  (arrows scroll, Esc closes)", "bold $heading")]
        lines += [
            Content.assemble((f"{b.key_display or b.key:>10}  ", "bold"), b.description)
            for b in bindings
        ]
        lines.append(Content.styled("Marks", "bold $heading"))
        states = ", ".join(f"{STATE_MARKS[s]} {STATE_WORDS[s]}" for s in STATE_MARKS)
        lines.append(Content(f"calls: {states}"))
        roles = "; ".join(f"{ROLE_WORDS[r].strip()} {_ROLES[r]}" for r in ROLE_WORDS)
        lines.append(Content(f"log: {roles}; #4 belongs to call 4"))
        self.update(Content("\n").join(lines))
