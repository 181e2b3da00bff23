"""The running log. It follows the newest line, and stays where it is while someone reads back."""

from __future__ import annotations

import time
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from rich.segment import Segment
from textual import events
from textual.content import Content
from textual.geometry import Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip
from textual.visual import Visual

from grammar.case.loops import Loop, LoopState
from grammar.case.persistent_sequence import PersistentSequence
from grammar.case.utterance_step import POSSIBLE_HELP
from grammar.case.view import LogLine, Utterance, View
from grammar.protocol.model import Protocol
from tui.dashboard.palette import state_badge, state_style
from tui.text.speakers import speaker
from tui.text.wording import (
    CHOSEN,
    FLAG_WORDS,
    POSSIBLE_HELP_WORDS,
    STATE_MARKS,
    call_in_words,
    clean,
    clock,
    heard,
    role_in_words,
    state_in_words,
    station,
)

_TIME = "0123456789:"

STANDS_S = 1.0
"""Seconds from which the newest line stands for itself: a key struck sooner may have been meant for the
line before it."""

Loops = Mapping[int, tuple[Loop, LoopState]]


@dataclass(frozen=True, slots=True)
class Entry:
    """A log line with all that its picture depends on."""

    line: LogLine
    mark: str
    """The state of the loop that this line opened, in words; or which call it belongs to."""
    state: LoopState | None
    """The state of the loop that this line opened; None where it opened none."""
    flags: tuple[str, ...] = ()
    """In words. A number that an agreeing read-back or a person confirmed needs no second look."""


def entries(
    protocol: Protocol,
    view: View,
    loops: Loops,
    *,
    unstored_from: int | None = None,
    first: int = 0,
) -> list[Entry]:
    """Return the log's lines from `first` on, with the state of the loop that each opened or belongs to.

    Facts from `unstored_from` on are not on disk yet.
    """
    found = []
    over = {timer.ended_by: timer for timer, _ in view.timers if timer.ended_by is not None}
    for line in view.log[first:]:
        one = _entry(protocol, line, line.fact if line.fact in loops else None, loops)
        if line.utterance and line.fact in over:
            one = replace(one, flags=(*one.flags, f"timer {over[line.fact].name}"))
        if unstored_from is not None and line.fact >= unstored_from:
            one = replace(one, flags=(*one.flags, "NOT STORED YET"))
        found.append(one)
    return found


def _entry(protocol: Protocol, line: LogLine, opens: int | None, loops: Loops) -> Entry:
    said = line.utterance
    loop_id = opens if opens is not None else (said.loop if said else None)
    found = loops.get(loop_id) if loop_id is not None else None
    told = said.flags if said else ()
    settled = "amended" in told or (
        found is not None and found[1] in ("answered", "closed") and not found[0].number_unclear
    )
    flags = tuple(
        FLAG_WORDS.get(flag, flag) for flag in told if not (settled and flag == "sounds-like")
    )
    if opens is not None and found is not None:
        loop, state = found
        stands = state_in_words(protocol, loop.call, state)
        words = f"{STATE_MARKS[state]} {stands}{' late' if loop.late else ''}"
        return Entry(line, words, state, flags)
    # A timer of one's own is no call, and belongs to none.
    return Entry(line, _belongs(said, found[0]) if said and found else "", None, flags)


def _belongs(said: Utterance, loop: Loop) -> str:
    """Return which call an utterance belongs to, by the call's time: "answers 03:23"."""
    verb = {"call": "repeats", "read-back": "answers", "acknowledgement": "answers"}
    return f"{verb.get(said.role, 'about')} {clock(loop.opened)}"


def in_time(told: Sequence[Entry], changed: Sequence[Entry]) -> tuple[list[Entry], int]:
    """Return the lines in order of time, and how many of them come before all that changed. Lines of
    one moment keep the order in which they were told."""
    ordered = sorted(told, key=lambda entry: entry.line.t)
    earliest = min((entry.line.t for entry in changed), default=None)
    if earliest is None:
        return ordered, len(ordered)
    return ordered, bisect_left(ordered, earliest, key=lambda entry: entry.line.t)


def speakers(protocol: Protocol, said: Utterance) -> str:
    """Who spoke to whom, as far as it is known: "Team leader → Drugs nurse: "."""
    sender, to = speaker(protocol, said), station(protocol, said.to)
    if to:
        return f"{sender} → {to}: ".lstrip()
    return f"{sender}: " if sender else ""


def not_understood(said: Utterance) -> list[tuple[str, str]]:
    """Return the parts of a line of speech that is no call: its likeliest words greyed, or loud
    where they may be a call for help."""
    if POSSIBLE_HELP in said.flags:
        return [(f" !! {POSSIBLE_HELP_WORDS}: {clean(said.likely)}? ", state_badge("unanswered"))]
    if not said.likely:
        return [(heard(said.text), "$quiet")]
    return [("perhaps: ", "$quiet"), (f"{clean(said.likely)}?", "italic $quiet")]


def words_of(protocol: Protocol, line: LogLine) -> str:
    """Return what a line says: what was heard, or a call entered by hand."""
    said = line.utterance
    if said and said.call and "entered" in said.flags:
        return call_in_words(protocol, said.call, said.slots)
    return heard(line.text)


def picture(protocol: Protocol, entry: Entry, width: int) -> list[Content]:
    """Return the rows of one entry: time, role, speaker, text and marks, wrapped under the text."""
    line, said = entry.line, entry.line.utterance
    kind = role_in_words(protocol, said) if said else line.kind
    lead = Content.styled(f"{clock(line.t):>5} ", "$quiet")
    parts = [(f"{kind:<4} ", "$heading")]
    if said:
        parts.append((speakers(protocol, said), "bold"))
        if said.unsure:
            parts.append(("(unsure) ", "bold $urgent"))
    if said and said.role == "unrecognised":
        parts += not_understood(said)
    else:
        parts.append((words_of(protocol, line), "$ink"))
    # What is loud in the line is not told once more in brackets.
    loud = FLAG_WORDS[POSSIBLE_HELP] if said and said.role == "unrecognised" else None
    parts += [(f" ({clean(flag)})", "$quiet") for flag in entry.flags if flag != loud]
    if entry.mark:
        style = state_style(entry.state) if entry.state else "$quiet"
        parts.append((f"  {entry.mark}", style))
    rows = Content.assemble(*parts).wrap(max(width - lead.cell_length, 8))
    blank = Content(" " * lead.cell_length)
    return [Content.assemble(lead if i == 0 else blank, row) for i, row in enumerate(rows)]


class RunningLog(ScrollView, can_focus=False):
    """Draws only the rows in sight, so that a long case scrolls like a short one."""

    class Clicked(Message):
        """A line that is an utterance was clicked."""

        def __init__(self, fact: int) -> None:
            super().__init__()
            self.fact = fact

    def __init__(self, protocol: Protocol, seconds: Callable[[], float] = time.monotonic) -> None:
        """`seconds` is a clock that only goes on."""
        super().__init__(id="log")
        self._seconds = seconds
        self._newest: int | None = None
        """The fact told last, and when it took the place of another; seconds, None where it did not."""
        self._newest_at: float | None = None
        self._protocol = protocol
        self._told: list[Entry] = []
        """Lines in the order in which they were told."""
        self._entries: list[Entry] = []
        """The same lines in order of time, as they are drawn."""
        self._pictures: list[list[Content]] = []
        """The rows of each entry."""
        self._rows: list[Content] = []
        """All of them, one after the other."""
        self._starts: list[int] = []
        """Index in `_rows` of each entry's first row."""
        self._log: Sequence[LogLine] = ()
        self._loops: Loops = {}
        self._unstored: int | None = None
        self._width = 0
        self._following = True
        self._laying_out = False
        self._seen = 0
        self._chosen: int | None = None
        self._found: int | None = None
        """The fact whose line was looked for; until the log follows the newest line again."""

    @property
    def following(self) -> bool:
        """Return whether the newest line is kept in sight."""
        return self._following

    @property
    def unread(self) -> int:
        """Lines that came since the reader scrolled back."""
        return 0 if self._following else max(len(self._entries) - self._seen, 0)

    @property
    def stands(self) -> bool:
        """Return whether the newest line has stood for long enough to be the one that was meant."""
        return self._newest_at is None or self._seconds() - self._newest_at >= STANDS_S

    @property
    def found(self) -> int | None:
        """The fact whose line was looked for; None once the log follows the newest line again."""
        return self._found

    def choose(self, fact: int | None) -> None:
        """Mark the line of the fact that a dialog is about."""
        if fact != self._chosen:
            self._chosen = fact
            self.refresh()

    def show(self, view: View, unstored_from: int | None = None) -> None:
        """Take over the log of this view; draw anew only from the first line that changed."""
        width = self.scrollable_content_region.width
        # Behind the help the log has no width, and keeps what it had.
        if not width:
            return
        newest = view.log[-1].fact if view.log else None
        if newest != self._newest:
            self._newest_at = None if self._newest is None else self._seconds()
            self._newest = newest
        loops = {loop.id: (loop, state) for loop, state in view.loops}
        same = self._same(view, loops, unstored_from) if width == self._width else 0
        self._log, self._loops, self._unstored = view.log, loops, unstored_from
        if same == len(view.log) == len(self._entries) and width == self._width:
            return
        gone, new = (
            self._told[same:],
            entries(self._protocol, view, loops, unstored_from=unstored_from, first=same),
        )
        self._told = [*self._told[:same], *new]
        self._lay_out(*in_time(self._told, [*gone, *new]), width)

    def _same(self, view: View, loops: Loops, unstored_from: int | None) -> int:
        """How many lines, from the first, are as they were: four hours are not gone through anew."""
        log = view.log
        if isinstance(log, PersistentSequence) and log.continues(self._log):
            same = len(self._told)
        else:
            # Folded anew, or with notes of a debrief among its lines: each line is looked at.
            pairs = zip(
                self._told,
                entries(self._protocol, view, loops, unstored_from=unstored_from),
                strict=False,
            )
            unlike = (at for at, (old, new) in enumerate(pairs) if old != new)
            return next(unlike, min(len(self._told), len(log)))
        for loop_id, (loop, state) in loops.items():
            was = self._loops.get(loop_id)
            # A loop's own line is the first that shows it; a loop's id is the fact that opened it.
            if was is None or was[0] is not loop or was[1] != state:
                same = min(same, self._line_of(loop_id))
        if unstored_from != self._unstored:
            seqs = [seq for seq in (unstored_from, self._unstored) if seq is not None]
            same = min(same, self._line_of(min(seqs)))
        return same

    def _line_of(self, fact: int) -> int:
        """Return the first line told of a fact or of a later one."""
        return bisect_left(self._told, fact, key=lambda entry: entry.line.fact)

    def _lay_out(self, found: list[Entry], same: int, width: int) -> None:
        top = self._top()
        cut = self._starts[same] if same < len(self._starts) else len(self._rows)
        # Most lines after the first that changed are as they were, and to wrap them costs most.
        known = list(zip(self._entries[same:], self._pictures[same:], strict=True))
        known = known if width == self._width else []
        del self._rows[cut:]
        del self._starts[same:]
        del self._pictures[same:]
        for entry, old in zip_longest(found[same:], known[: len(found) - same]):
            rows = old[1] if old and old[0] == entry else picture(self._protocol, entry, width)
            self._starts.append(len(self._rows))
            self._rows += rows
            self._pictures.append(rows)
        self._entries, self._width = found, width
        self._laying_out = True
        try:
            self.virtual_size = Size(width, len(self._rows))
            if self._following:
                self._seen = len(found)
                self.scroll_to(y=self._end(), animate=False, immediate=True)
            elif top is not None:
                entry_index, row = top
                if entry_index < len(self._starts):
                    y = self._starts[entry_index] + row
                    self.scroll_to(y=y, animate=False, immediate=True)
        finally:
            self._laying_out = False
        self.refresh()

    def _end(self) -> int:
        return max(len(self._rows) - self.scrollable_content_region.height, 0)

    @property
    def top_entry(self) -> int | None:
        """Index of the log line at the top edge, None while there is none."""
        top = self._top()
        return top[0] if top else None

    def _top(self) -> tuple[int, int] | None:
        """Return the entry at the top edge and the row of it, so that it can be put there again."""
        y = self.scroll_offset.y
        index = bisect_right(self._starts, y) - 1
        return (index, round(y) - self._starts[index]) if index >= 0 else None

    def watch_scroll_y(self, old_value: float, new_value: float) -> None:
        super().watch_scroll_y(old_value, new_value)
        if not self._laying_out and round(old_value) != round(new_value):
            self._following = round(new_value) >= self._end()
            self._seen = len(self._entries)

    def on_resize(self) -> None:
        """Keep the newest line in sight when the terminal changes."""
        if self._following:
            self._laying_out = True
            self.scroll_to(y=self._end(), animate=False, immediate=True)
            self._laying_out = False

    def on_click(self, event: events.Click) -> None:
        """Tell which utterance was clicked."""
        row = self.scroll_offset.y + event.y
        index = bisect_right(self._starts, row) - 1
        if index >= 0 and row < len(self._rows) and self._entries[index].line.utterance:
            self.post_message(self.Clicked(self._entries[index].line.fact))

    def follow(self) -> None:
        """Back to the newest line."""
        self._found = None
        self._following = True
        self._seen = len(self._entries)
        self.scroll_to(y=self._end(), animate=False, immediate=True)

    def go_to(self, fact: int) -> None:
        """Show the line of a fact in the middle, and mark it."""
        at = next((i for i, entry in enumerate(self._entries) if entry.line.fact == fact), None)
        if at is None:
            return
        self._found = fact
        self._following = False
        self._seen = len(self._entries)
        height = self.scrollable_content_region.height
        self.scroll_to(y=max(self._starts[at] - height // 2, 0), animate=False, immediate=True)
        self.refresh()

    def move(self, rows: int) -> None:
        """Scroll by this many rows, up where negative."""
        self.scroll_to(y=self.scroll_offset.y + rows, animate=False, immediate=True)

    def render_line(self, y: int) -> Strip:
        """One row on screen, `y` rows below the top edge."""
        row, width = self.scroll_offset.y + y, self.scrollable_content_region.width
        if row >= len(self._rows):
            return Strip([Segment(" " * width, self.rich_style)], width)
        return Visual.to_strips(self, self._marked(row), width, 1, self.visual_style)[0]

    def _marked(self, row: int) -> Content:
        """Return a row, after its time the mark of what is chosen where it is that."""
        drawn = self._rows[row]
        chosen = self._found if self._chosen is None else self._chosen
        if chosen is None:
            return drawn
        index = bisect_right(self._starts, row) - 1
        if self._starts[index] != row or self._entries[index].line.fact != chosen:
            return drawn
        at = len(drawn) - len(drawn.plain[5:].lstrip(_TIME))
        return Content.assemble(drawn[:at], (CHOSEN, "bold $heading"), drawn[at + 1 :])
