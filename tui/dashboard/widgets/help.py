"""The help screen, made from the table of keys. It takes the log's place; calls stay in sight."""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content
from textual.widgets import Static

from grammar.case.loops import LoopState
from tui.dashboard.palette import state_style
from tui.text.wording import NOT_HEARD_YET, ROLE_WORDS, STATE_MARKS, STATE_WORDS

_ROLES = {
    "call": "told to everybody; an order and a report say so, in capitals where a drug may be named",
    "read-back": "repeats what was called",
    "acknowledgement": "heard, nothing repeated",
    "proword": "say again, correction and their like",
    "unrecognised": "no sentence of the protocol: it counts for nothing",
}


LEGEND: dict[LoopState, str] = {
    "open": f"{STATE_WORDS['open']}, or an answer",
    "unheard": NOT_HEARD_YET,
}
"""States whose word is not the same for every call, in the legend."""
PLACES = {
    "put right": "While an utterance is put right",
    "timers": "While the timers are open",
    "enter": "While a call is entered",
    "card": "While a card is read",
    "leave": "Where a case is to end",
}
BRACKETS = {
    "unsure": "heard with doubt: counts for nothing before a person or a read-back settles it",
    "number unclear": "another sounds like it, as fifteen and fifty do: look twice",
    "digits disagree": "the number and its digits differ, as in fifteen, five zero",
    "heard two ways": "the second hearing had something else",
    "another reading is near": "both hearings had this, but neither of them clearly",
    "out of bounds": "a value that the protocol does not allow",
    "not word for word": "no sentence of the protocol fits exactly; this one comes closest",
    "not understood": "speech outside the protocol",
    "heard late": "hearing was behind",
    "by one hearing only": "a number that has a twin, and only one of the two hearings had it",
    "may be a call for help": "loud until a person puts it right or says it was none",
    "by the second hearing": "the first had it otherwise, or heard no call",
    "differs": "is not what was called",
    "correction in doubt": "changes nothing before it is settled",
    "answers nothing": "a read-back of what nobody has called",
    "fits several calls": "may answer more than one call",
    "while a card was read": "a voice read a card then: look whether it was meant",
    "repeat": "the same call once more",
    "put right": "by hand",
    "entered": "entered by hand",
    "timer ...": "the timer that it ended",
    "NOT STORED YET": "not on the disk yet",
}
"""Marks that stand in brackets in the log, and their meaning."""
ONCE = (
    "heard only once: the hearing that is quick makes mistakes, above all with numbers. A second one,"
    " trained on people, mends most of them: before the next case, have the extra “people” installed"
    " (pip install 'answerback[people]')"
)
"""The cure for what the header says."""
MOUSE = "mouse: click a call (that was heard), an utterance (put right), a guess, the checklists or an item"


class Help(Static):
    """The help: keys first, then what the marks mean."""

    sections: Sequence[tuple[str, Sequence[tuple[str, str]]]] = ()

    def show(self, sections: Sequence[tuple[str, Sequence[tuple[str, str]]]]) -> None:
        """Fill the help from (place, its (key, what it does) pairs)."""
        self.sections = sections
        self._draw()

    def on_resize(self) -> None:
        """Lines are laid out for the width there is."""
        self._draw()

    def _draw(self) -> None:
        sections, width = self.sections, self.size.width or 60
        lines = [
            Content.styled("HELP: signs, then keys  (arrows scroll, Esc closes)", "bold $heading")
        ]
        signs = [
            Content.assemble(
                (f"{mark} {LEGEND.get(state, STATE_WORDS[state])}", state_style(state))
            )
            for state, mark in STATE_MARKS.items()
        ]
        lines.append(Content.assemble("calls: ", Content(", ").join(signs)))
        for place, rows in sections:
            if place in PLACES:
                lines.append(Content.styled(PLACES[place], "bold $heading"))
            for key, what in rows:
                lead = Content.styled(f"{key:>5}  ", "bold")
                first, *more = Content(what).wrap(max(width - lead.cell_length, 10))
                lines.append(Content.assemble(lead, first))
                lines += [Content.assemble(" " * lead.cell_length, row) for row in more]
        roles = "; ".join(f"{ROLE_WORDS[r]}: {_ROLES[r]}" for r in ROLE_WORDS)
        lines.append(Content(f"log: {roles}; answers 03:23: the call of that time"))
        lines.append(Content(ONCE))
        lines.append(Content(MOUSE))
        lines.append(Content.styled("In brackets in the log", "bold $heading"))
        for flag, what in BRACKETS.items():
            first, *more = Content.assemble((f"({flag}) ", "bold"), what).wrap(width)
            lines += [first, *(Content.assemble("  ", row) for row in more)]
        content = Content("\n").join(lines)
        if content != self.content:
            self.update(content)
