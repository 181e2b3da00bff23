"""Calls that wait for someone: the most urgent on top, each with its age and its window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
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
    slots_in_words,
    state_in_words,
    station,
    waiting_in_words,
)

LOOP = "loop"
"""In a style's meta: the call that a cell belongs to."""
UNCLEAR_IN_SHORT = "(unclear)"
"""That a number is unclear, on a card of one row that has no room for the words of the log."""
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
MOST_CALLS = 6
"""Waiting calls that keep a row each above a dialog, however low the terminal is."""
LOG_TITLED = 10
"""Rows of the column above a dialog from which the log keeps its title."""
STRIP_ROWS = 3
"""Rows that the strip of unsure utterances gets however many calls wait: its title and one of them."""


def heights(states: Sequence[LoopState], rows: int) -> list[int]:
    """Return rows for each waiting call (0 where it does not fit), given its state and the rows there are.

    Urgent calls take three rows with large digits, others two. Where room is short, unanswered ones keep
    two as long as all are seen, open ones one; where it is shorter still each has one, which has all that
    decides, and what is over goes to the topmost. One row is kept free for the line that counts calls not
    shown, where there are any.
    """
    given = least(states)
    if sum(given) > rows:
        if len(given) > rows:
            return _first([1] * len(given), rows - 1)
        # A row each sooner than one of them unseen; what is over goes to the most urgent.
        over = rows - len(given)
        for index, want in enumerate(given):
            given[index] = 1 + min(want - 1, over)
            over -= given[index] - 1
        return given
    over = rows - sum(given)
    for urgent in (True, False):
        for index, state in enumerate(states):
            most = 3 if state in LOUD else 2
            if over and (state in LOUD) is urgent and given[index] < most:
                given[index] += 1
                over -= 1
    return given


def least(states: Sequence[LoopState]) -> list[int]:
    """Return the fewest rows that show each call whole."""
    return [LEAST.get(state, 1) for state in states]


def _first(wanted: Sequence[int], rows: int) -> list[int]:
    """Those that fit, from the top, without a gap between them."""
    given: list[int] = []
    for want in wanted:
        rows -= want
        given.append(want if rows >= 0 else 0)
    return given


@dataclass(frozen=True, slots=True)
class WaitingCall:
    """A call that waits, as it stands at one moment."""

    protocol: Protocol
    loop: Loop
    state: LoopState
    _: KW_ONLY
    now: float
    """Seconds on the case's clock."""
    doubt: str = ""
    """The doubt about it, as `wording.doubt_of` has it; "" where there is none."""


def card(call: WaitingCall, rows: int, width: int) -> list[Content]:
    """Return a waiting call in this many rows of `width` cells: three with large digits where there is room
    for them, two, or one."""
    loop, state = call.loop, call.state
    age = large(clock(loop.age(call.now))) if rows >= 3 and width >= ROOMY else []
    beside = max(map(len, age), default=-2) + 2
    room = width - 2 - beside
    head, body = card_words(call, rows, room, digits=bool(age))
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
    """Return a line one cell from the edge, as wide as its card."""
    return line.rstrip().pad_left(1).pad_right(max(width - 1 - line.rstrip().cell_length, 0))


def card_words(
    call: WaitingCall, rows: int, width: int, *, digits: bool
) -> tuple[Content, Content]:
    """Return the head of a card (state, age, window) and its body: the call, then what helps to mend it.

    `width` is the body's, in cells; with `digits` the age stands beside it and not in the head.
    """
    if rows == 1:
        return _in_a_row(call, width), Content("")
    state, age = call.state, clock(call.loop.age(call.now))
    head = f"{STATE_MARKS[state]} {state_in_words(call.protocol, call.loop.call, state)}"
    if not digits:
        head = f"{head} {age}"
    head = f"{head}  {_window(call, width - len(head) - 2)}"
    if rows >= 3 and state == "differs":
        return Content(head), Content(_both(call, width))
    title = Content.styled(_that_fits(_titles(call), width), "bold")
    if rows >= 3:
        return Content(head), Content("\n").join([title, Content(_origin(call))])
    return Content(head), title


def _in_a_row(call: WaitingCall, width: int) -> Content:
    """Return a card of one row. Neither what was called, nor what was read back instead, nor the doubt
    about its number is ever cut: sooner the window goes, then the addressee, the words whose sign stands
    there, and what the values say of themselves. The age goes only where these have no room beside it."""
    state, age = call.state, clock(call.loop.age(call.now))
    whole = f"{STATE_MARKS[state]} {state_in_words(call.protocol, call.loop.call, state)} {age}"
    yet = f"{NOT_HEARD_YET} " if state == "unheard" else ""
    heads = (whole, f"{STATE_MARKS[state]} {yet}{age}")
    named, *unnamed = _titles(call, in_short=True)
    window = _short_window(call)
    shapes = [(f"{whole} {window} " if window else f"{whole} ", named), (f"{whole} ", named)]
    if state == "differs":  # both values say more than the name of the call
        shapes += [(f"{head} ", title) for head in heads for title in unnamed]
    else:
        shapes += [(f"{head} ", title) for title in unnamed for head in heads]
    # The age goes sooner than the doubt, and the doubt sooner than a value.
    doubted = unnamed[:-1] if _doubt(call) else unnamed
    shapes = [each for each in shapes if each[1] in (named, *doubted)]
    shapes += [(f"{STATE_MARKS[state]} ", title) for title in doubted]
    shapes += [(f"{head} ", unnamed[-1]) for head in (*heads[1:], STATE_MARKS[state])]
    fitting = (each for each in shapes if len(each[0]) + 1 + len(each[1]) <= width)
    head, title = next(fitting, shapes[-1])
    line = Content.assemble(f"{head} ", (title, "bold"))
    return line.truncate(width, ellipsis=True)


def _titles(call: WaitingCall, *, in_short: bool = False) -> list[str]:
    """Return the call in words, each shorter than the one before: with whom it is for, without, as the
    values that decide alone, and last without the doubt. In short a call that names nobody says nothing of
    that, and one that was read back otherwise says how."""
    protocol, loop = call.protocol, call.loop
    to = station(protocol, loop.to) or ("" if in_short else NOBODY_NAMED)
    what, values = _what(call), slots_in_words(protocol, loop.call, loop.slots)
    wrong = ""
    if in_short and call.state == "differs":
        called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
        wrong, values = f" {STATE_MARKS['differs']} read back {said}", called
    doubt = _doubt(call)
    found = [f"{what}{wrong}{f' → {to}' if to else ''}", f"{what}{wrong}"]
    if values:
        kind = what.partition(": ")[0]  # a report is no order, however short
        values = f"{kind}: {values}" if kind.isupper() else values
        found.append(f"{values} {doubt}".rstrip() + wrong)
        if in_short and doubt == UNCLEAR_WORDS:
            found.append(f"{values} {UNCLEAR_IN_SHORT}{wrong}")
    if doubt:
        found.append(f"{what.removesuffix(f' {doubt}')}{wrong}")
    return found


def _doubt(call: WaitingCall) -> str:
    return UNSURE_WORDS if call.loop.unsure else call.doubt


def _what(call: WaitingCall) -> str:
    words = waiting_in_words(call.protocol, call.loop.call, call.loop.slots)
    return f"{words} {_doubt(call)}".rstrip()


def _window(call: WaitingCall, room: int) -> str:
    """Return the state of a call's window in words. In little room its bar gets shorter, and the time
    stays.
    """
    loop, state, now = call.loop, call.state, call.now
    if state == "differs":
        return "read-back is not the call"
    if state == "answered":
        return "caller has not confirmed"
    if loop.stand_by_since is not None:
        return f"held by stand by {clock(now - loop.stand_by_since)}"
    if state in ("unheard", "unknown"):
        return ""  # its state says so
    if state == "unanswered":
        return f"nobody within {duration(round(loop.window_s, 1))}"
    remaining = loop.deadline - now
    time = f"{clock(max(remaining, 0.0) + 0.999)} left"
    cells = min(BAR, room - len(time) - 1)
    return f"{bar(remaining / loop.window_s, cells)} {time}" if cells > 0 else time


def _short_window(call: WaitingCall) -> str:
    loop = call.loop
    if call.state == "answered":
        return "unconfirmed"
    if loop.stand_by_since is not None:
        return f"stand by {clock(call.now - loop.stand_by_since)}"
    if call.state in LOUD or call.state in ("unheard", "unknown"):
        return ""
    return bar((loop.deadline - call.now) / loop.window_s, BAR // 2)


def _both(call: WaitingCall, width: int) -> str:
    """Return both values in two rows: side by side under the call, or under each other where too long.

    Sooner than one of them, the addressee is left out, and then what the call is.
    """
    protocol, loop = call.protocol, call.loop
    titles = _titles(call)[:2]
    called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
    beside = f"called {called}  ≠  read back {said}"
    if len(beside) <= width:
        return f"{_that_fits(titles, width)}\n{beside}"
    first = _that_fits((*titles, called), width - len("called    "))
    return f"called    {first}\nread back {_that_fits((said,), width - len('read back '))}"


def _that_fits(wordings: Sequence[str], width: int) -> str:
    """Return the first that fits; the last is cut where none does."""
    fitting = (each for each in wordings if len(each) <= width)
    return next(fitting, f"{wordings[-1][: max(width - 1, 0)]}…")


def _origin(call: WaitingCall) -> str:
    loop = call.loop
    sender = station(call.protocol, loop.sender)
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
        self.waits = LEAST_CALLS - 1
        """Calls that waited when they were drawn last."""
        self.squeezed = False
        """Whether that is what a dialog leaves."""

    def on_click(self, event: events.Click) -> None:
        """Tell which call it is."""
        loop = event.style.meta.get(LOOP)
        if loop is not None:
            self.post_message(self.Clicked(loop))

    def spare(self, view: View) -> int:
        """Return rows of the column that the calls at the view's moment can do without."""
        wanted = 1 + sum(least([state for _, state in view.waiting]))
        return max(self._column - self._log_rows - max(wanted, 2), STRIP_ROWS)

    def show(self, view: View, below: int = 0) -> None:
        """Draw the calls waiting at the view's moment; `below` rows are another's."""
        waiting = view.waiting
        states = [state for _, state in waiting]
        self.waits = max(len(states), LEAST_CALLS - 1)
        rows = heights(states, self._take(1 + sum(least(states)), below) - 1)
        width = max(self.scrollable_content_region.width, 20)
        lines = [_count(states, width, view.heard_up_to)]
        for height, (loop, state) in zip(rows, waiting, strict=False):
            if height:
                call = WaitingCall(
                    self._protocol, loop, state, now=view.now, doubt=doubt_of(view, loop)
                )
                lines += card(call, height, width)
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
            return min(LOW_LOG_ROWS - 1, max(self._column - 1 - self.waits, LEAST_LOG))
        return LOG_ROWS if self._column >= LOW_COLUMN else LOW_LOG_ROWS

    def _take(self, wanted: int, below: int) -> int:
        """Take the rows for the calls: a steady share of the column, more where they need it."""
        column = self._column
        share = column * 9 // 20
        least = LEAST_CALLS if self.squeezed else 4
        taken = max(min(max(share, wanted), column - self._log_rows - below), least)
        if self.styles.height is None or self.styles.height.cells != taken:
            self.styles.height = taken
        return min(taken, self.few) if self.few else taken


def _count(states: Sequence[LoopState], width: int, heard_up_to: float | None) -> Content:
    """Return the title: how many calls wait, and how many of them are urgent, in words where there is room;
    up to when they have been heard, where hearing lags.
    """
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
