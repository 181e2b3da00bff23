"""The help screen, made from the table of keys. It takes the log's place; calls stay in sight."""

from __future__ import annotations

from collections.abc import Iterable

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


PLACES = {
    "put right": "While an utterance is put right",
    "timers": "While the timers are open",
    "enter": "While a call is entered",
}
MOUSE = "mouse: click a call (that was heard), an utterance (put right), a guess, the checklists or an item"


class Help(Static):
    """Keys first, then what the marks mean."""

    def show(self, sections: Iterable[tuple[str, Iterable[tuple[str, str]]]]) -> None:
        """Fills the help from (place, its (key, what it does) pairs)."""
        lines = [Content.styled("HELP: keys  (arrows scroll, Esc closes)", "bold $heading")]
        for place, rows in sections:
            if place in PLACES:
                lines.append(Content.styled(PLACES[place], "bold $heading"))
            lines += [Content.assemble((f"{key:>6}  ", "bold"), what) for key, what in rows]
        lines.append(Content.styled("Marks", "bold $heading"))
        states = ", ".join(f"{STATE_MARKS[s]} {STATE_WORDS[s]}" for s in STATE_MARKS)
        lines.append(Content(f"calls: {states}"))
        roles = "; ".join(f"{ROLE_WORDS[r].strip()} {_ROLES[r]}" for r in ROLE_WORDS)
        lines.append(Content(f"log: {roles}; #4 belongs to call 4"))
        lines.append(Content(MOUSE))
        self.update(Content("\n").join(lines))
