"""Calls that wait for someone: the most urgent on top, each with its age and its window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from textual import events
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.style import Style
from textual.widgets import Static

from grammar.case.loops import Loop, LoopState
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.dashboard.palette import LOUD, state_badge, state_style
from tui.dashboard.widgets.large import large
from tui.text.urgent import nothing_waits
from tui.text.wording import (
    NOBODY_NAMED,
    NOT_HEARD_YET,
    STATE_MARKS,
    STATE_WORDS,
    UNCLEAR_WORDS,
    UNSURE_WORDS,
    bar,
    called_and_read_back,
    clock,
    doubt_of,
    duration,
    state_in_words,
    station,
    waiting_in_words,
)

LOOP = "loop"
"""In a style's meta: the call that a cell belongs to."""
LEAST: Mapping[LoopState, int] = MappingProxyType({"unanswered": 2, "differs": 3})
"""The fewest rows for a call; one that differs always has room for both values."""
BAR = 12
ROOMY = 52
"""Cells from which a card has room for large digits beside its words."""
LOG_ROWS = 7
"""Rows of the column that calls never take: six of the log and its title."""
LOW_COLUMN, LOW_LOG_ROWS = 23, 4
"""The same in a column of fewer rows: the log keeps three."""
LEAST_CALLS, LEAST_LOG = 3, 2
"""Rows of the calls (the count of them, and the most urgent) and of the log that stay in sight above a
dialog, however low the terminal is and however much it has to say."""
MOST_CALLS = 4
"""Waiting calls that keep a row each above a dialog, however low the terminal is."""
LOG_TITLED = 9
"""Rows of the column above a dialog from which the log keeps its title."""
STRIP_ROWS = 3
"""Rows that the strip of unsure utterances gets however many calls wait: its title and one of them."""


def heights(states: Sequence[LoopState], rows: int) -> list[int]:
    """Rows for each waiting call (0 where it does not fit), given its state and the rows there are.

    Urgent calls take three rows with large digits, others two. Where room is short, unanswered ones
    keep two as long as all are seen, open ones one, and what is over goes to the topmost. One row is
    kept free for the line that counts calls not shown, where there are any.
    """
    given = least(states)
    if sum(given) > rows:
        # One row each sooner than one of them unseen, but never one that differs.
        given = [
            want if state == "differs" else 1 for state, want in zip(states, given, strict=True)
        ]
    if sum(given) > rows:
        found = _first(given, rows - 1)
        # Above a dialog in a low terminal a row of each, or of the topmost, is more than a count of all:
        # the urgent line has both values.
        all_fit = len(given) <= rows <= MOST_CALLS
        if any(found) and not all_fit:
            return found
        return _first([1] * len(given), rows if all_fit else rows - 1)
    over = rows - sum(given)
    for urgent in (True, False):
        for index, state in enumerate(states):
            most = 3 if state in LOUD else 2
            if over and (state in LOUD) is urgent and given[index] < most:
                given[index] += 1
                over -= 1
    return given


def least(states: Sequence[LoopState]) -> list[int]:
    """The fewest rows that show each call whole."""
    return [LEAST.get(state, 1) for state in states]


def _first(wanted: Sequence[int], rows: int) -> list[int]:
    """Those that fit, from the top, without a gap between them."""
    given: list[int] = []
    for want in wanted:
        rows -= want
        given.append(want if rows >= 0 else 0)
    return given


def card(
    protocol: Protocol,
    loop: Loop,
    state: LoopState,
    now: float,
    rows: int,
    width: int,
    doubt: str = "",
) -> list[Content]:
    """One waiting call as it stands at `now`, in this many rows of `width` cells: three with large
    digits where there is room for them, two, or one. `doubt` stands beside it."""
    age = large(clock(loop.age(now))) if rows >= 3 and width >= ROOMY else []
    beside = max(map(len, age), default=-2) + 2
    room = width - 2 - beside
    head, body = card_words(protocol, loop, state, now, rows, room, doubt, digits=bool(age))
    on_head, on_body = state_badge(state), state_style(state) if state in LOUD else "$ink"
    lines = [_across(head.truncate(room, ellipsis=True), width - beside).stylize_before(on_head)]
    lines += [
        _across(line, width - beside).stylize_before(on_body)
        for line in body.wrap(room)[: rows - 1]
        if body.plain
    ]
    blank = Content(" " * (width - beside))
    lines += [blank] * (rows - len(lines))
    if age:
        digits = [Content.styled(f" {row} ", f"bold {on_head}") for row in age]
        lines = [Content.assemble(*pair) for pair in zip(lines, digits, strict=False)]
    return [line.stylize(Style.from_meta({LOOP: loop.id})) for line in lines]


def _across(line: Content, width: int) -> Content:
    """A line one cell from the edge, as wide as its card."""
    return line.rstrip().pad_left(1).pad_right(max(width - 1 - line.rstrip().cell_length, 0))


def card_words(
    protocol: Protocol,
    loop: Loop,
    state: LoopState,
    now: float,
    rows: int,
    width: int,
    doubt: str = "",
    *,
    digits: bool,
) -> tuple[Content, Content]:
    """The head of a card (state, age, window) and its body: the call, then what helps to mend it.

    `width` is the body's, in cells; with `digits` the age stands beside it and not in the head.
    """
    if doubt == UNCLEAR_WORDS and (rows == 1 or len(_title(protocol, loop, doubt)) > width):
        doubt = ""  # sooner than the addressee; the log says it
    head = f"{STATE_MARKS[state]} {state_in_words(protocol, loop.call, state)}"
    title = Content.styled(_title(protocol, loop, doubt, in_short=rows == 1), "bold")
    if not digits:
        head = f"{head} {clock(loop.age(now))}"
    if rows == 1:
        short = _short_window(loop, state, now)
        if len(head) + len(short) + title.cell_length + 3 > width:
            short = ""
        # The dose is never what is cut: sooner the addressee goes, then the word whose sign stands there.
        if len(head) + title.cell_length + 2 > width:
            title = Content.styled(_what(protocol, loop, doubt), "bold")
        if len(head) + title.cell_length + 2 > width:
            yet = f"{NOT_HEARD_YET} " if state == "unheard" else ""
            head = f"{STATE_MARKS[state]} {yet}{clock(loop.age(now))}"
        if len(head) + title.cell_length + 2 > width:
            head = STATE_MARKS[state]
        line = Content.assemble(f"{head} {short}{'  ' if short else ''}", title)
        return line.truncate(width, ellipsis=True), Content("")
    window = _window(loop, state, now, width - len(head) - 2)
    if rows >= 3:
        if state == "differs":
            return Content(f"{head}  {window}"), Content(_both(protocol, loop, width, doubt))
        origin = Content(_origin(protocol, loop))
        return Content(f"{head}  {window}"), Content("\n").join([title, origin])
    return Content(f"{head}  {window}"), title


def _title(protocol: Protocol, loop: Loop, doubt: str, *, in_short: bool = False) -> str:
    """The call and whom it is for; in short, a call that names nobody says nothing of that."""
    to = station(protocol, loop.to) or ("" if in_short else NOBODY_NAMED)
    return f"{_what(protocol, loop, doubt)}{f' → {to}' if to else ''}"


def _what(protocol: Protocol, loop: Loop, doubt: str) -> str:
    words = waiting_in_words(protocol, loop.call, loop.slots)
    return f"{words} {UNSURE_WORDS if loop.unsure else doubt}".rstrip()


def _window(loop: Loop, state: LoopState, now: float, room: int) -> str:
    """The state of a call's window in words. In little room its bar gets shorter, and the time stays."""
    if state == "differs":
        return "read-back is not the call"
    if state == "answered":
        return "caller has not confirmed"
    if loop.stand_by_since is not None:
        return f"held by stand by {clock(now - loop.stand_by_since)}"
    if state == "unheard":
        return ""  # its state says so
    if state == "unanswered":
        return f"nobody within {duration(round(loop.window_s, 1))}"
    remaining = loop.deadline - now
    time = f"{clock(max(remaining, 0.0) + 0.999)} left"
    cells = min(BAR, room - len(time) - 1)
    return f"{bar(remaining / loop.window_s, cells)} {time}" if cells > 0 else time


def _short_window(loop: Loop, state: LoopState, now: float) -> str:
    if state == "answered":
        return "unconfirmed"
    if loop.stand_by_since is not None:
        return f"stand by {clock(now - loop.stand_by_since)}"
    if state in LOUD or state == "unheard":
        return ""
    return bar((loop.deadline - now) / loop.window_s, BAR // 2)


def _both(protocol: Protocol, loop: Loop, width: int, doubt: str) -> str:
    """Both values in two rows: side by side under the call, or under each other where too long.

    Sooner than one of them, the addressee is left out, and then what the call is.
    """
    title = _title(protocol, loop, doubt)
    called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
    beside = f"called {called}  ≠  read back {said}"
    if len(beside) <= width:
        return f"{_that_fits((title, _what(protocol, loop, doubt)), width)}\n{beside}"
    first = _that_fits((title, _what(protocol, loop, doubt), called), width - len("called    "))
    return f"called    {first}\nread back {_that_fits((said,), width - len('read back '))}"


def _that_fits(wordings: Sequence[str], width: int) -> str:
    """The first that fits; the last is cut where none does."""
    fitting = (each for each in wordings if len(each) <= width)
    return next(fitting, f"{wordings[-1][: max(width - 1, 0)]}…")


def _origin(protocol: Protocol, loop: Loop) -> str:
    sender = station(protocol, loop.sender)
    asked = f", asked {loop.repeats + 1} times" if loop.repeats else ""
    return f"called at {clock(loop.opened)}{f' by {sender}' if sender else ''}{asked}"


class CallsPanel(Static):
    """All waiting calls, never hiding one without saying so.

    One widget draws them all: a widget for each part of each card would cost more at every change of the
    layout and the colours than to draw the cards.
    """

    class Clicked(Message):
        """A call was clicked."""

        def __init__(self, loop: int) -> None:
            super().__init__()
            self.loop = loop

    def __init__(self, protocol: Protocol) -> None:
        super().__init__(id="calls", markup=False)
        self.auto_links = False
        self._protocol = protocol
        self.few = 0
        """Rows to which the calls keep while the help covers the others; 0 where nothing does."""
        self.column = 0
        """Rows of the column that the calls share with the log; 0 where nobody has said."""
        self._waits = LEAST_CALLS - 1
        """Calls that waited when they were drawn last."""
        self.squeezed = False
        """Whether that is what a dialog leaves."""

    def on_click(self, event: events.Click) -> None:
        """Tells which call it is."""
        loop = event.style.meta.get(LOOP)
        if loop is not None:
            self.post_message(self.Clicked(loop))

    def spare(self, view: View) -> int:
        """Rows of the column that the calls at the view's moment can do without."""
        wanted = 1 + sum(least([state for _, state in view.waiting]))
        return max(self._column - self._log_rows - max(wanted, 2), STRIP_ROWS)

    def show(self, view: View, below: int = 0) -> None:
        """Draws the calls waiting at the view's moment; `below` rows are another's."""
        waiting = view.waiting
        states = [state for _, state in waiting]
        self._waits = max(len(states), LEAST_CALLS - 1)
        rows = heights(states, self._take(1 + sum(least(states)), below) - 1)
        width = max(self.scrollable_content_region.width, 20)
        lines = [_count(states, width, view.heard_up_to)]
        for height, (loop, state) in zip(rows, waiting, strict=False):
            if height:
                doubt = doubt_of(view, loop)
                lines += card(self._protocol, loop, state, view.now, height, width, doubt)
        hidden = len(states) - sum(1 for height in rows if height)
        if hidden or not states:
            more = f"+ {hidden} more waiting" if states else f"{nothing_waits(view)}."
            lines.append(Content.styled(more, "bold $ink"))
        content = Content("\n").join(lines)
        if content != self.content:
            self.update(content, layout=False)

    @property
    def _column(self) -> int:
        if self.column:
            return self.column
        return self.parent.size.height if isinstance(self.parent, Vertical) else 0

    @property
    def _log_rows(self) -> int:
        if self.squeezed and self._column < LOG_TITLED:
            return min(LOW_LOG_ROWS - 1, max(self._column - 1 - self._waits, LEAST_LOG))
        return LOG_ROWS if self._column >= LOW_COLUMN else LOW_LOG_ROWS

    def _take(self, wanted: int, below: int) -> int:
        """Takes the rows for the calls: a steady share of the column, more where they need it."""
        column = self._column
        share = column * 9 // 20
        least = LEAST_CALLS if self.squeezed else 4
        taken = max(min(max(share, wanted), column - self._log_rows - below), least)
        if self.styles.height is None or self.styles.height.cells != taken:
            self.styles.height = taken
        return min(taken, self.few) if self.few else taken


def _count(states: Sequence[LoopState], width: int, heard_up_to: float | None) -> Content:
    """The title: how many calls wait, and how many of them are urgent, in words where there is room; up to
    when they have been heard, where hearing lags."""
    behind = "" if heard_up_to is None else f"  as heard up to {clock(heard_up_to)}"
    for words in (STATE_WORDS, {}):
        parts: list[tuple[str, str]] = [
            ("WAITING ", "bold $heading"),
            (str(len(states)), "bold $heading"),
            (behind, "bold $urgent"),
        ]
        for state in ("unanswered", "differs"):
            if state in states:
                told = (STATE_MARKS[state], str(states.count(state)), words.get(state, ""))
                badge = f" {' '.join(filter(None, told))} "
                parts += [("  ", ""), (badge, state_badge(state))]
        title = Content.assemble(*parts)
        if title.cell_length <= width:
            break
    return title.truncate(width)
