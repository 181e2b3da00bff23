"""Calls that wait for someone: the most urgent on top, each with its age and its window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Digits, Static

from grammar.loops import Loop, LoopState
from grammar.protocol import Protocol
from grammar.view import View
from tui.wording import (
    STATE_MARKS,
    STATE_WORDS,
    bar,
    call_in_words,
    called_and_read_back,
    clock,
    duration,
    station,
)

URGENT: frozenset[LoopState] = frozenset({"unanswered", "differs"})
CARDS = 16
"""Cards made at the start, so that a new call costs no new widget; more than any screen can hold."""
LEAST: Mapping[LoopState, int] = MappingProxyType({"unanswered": 2, "differs": 3})
"""The fewest rows for a call; one that differs always has room for both values."""
BAR = 12
ROOMY = 52
"""Cells from which a card has room for large digits beside its words."""
LOG_ROWS = 7
"""Rows of the column that calls never take: six of the log and its title."""
LOW_COLUMN, LOW_LOG_ROWS = 23, 4
"""The same in a column of fewer rows: the log keeps three."""
FEW_ROWS = 5
"""Rows for all calls while the help covers the others: the count of them, and the most urgent."""
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
        return _first(given, rows - 1)
    over = rows - sum(given)
    for urgent in (True, False):
        for index, state in enumerate(states):
            most = 3 if state in URGENT else 2
            if over and (state in URGENT) is urgent and given[index] < most:
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


class CallCard(Horizontal):
    """One waiting call. Three rows with large digits, two rows, or one."""

    class Clicked(Message):
        """A call was clicked."""

        def __init__(self, loop: int) -> None:
            super().__init__()
            self.loop = loop

    def __init__(self) -> None:
        super().__init__()
        self.loop: int | None = None
        """The call that was drawn last."""
        # Kept, since to ask for them several times a second costs more than to draw them.
        self._head = Static(classes="head", markup=False)
        self._body = Static(classes="body", markup=False)
        self._age = Digits(classes="age")

    def on_click(self) -> None:
        """Tells which call it is."""
        if self.loop is not None:
            self.post_message(self.Clicked(self.loop))

    def compose(self) -> ComposeResult:
        with Vertical(classes="words"):
            yield self._head
            yield self._body
        yield self._age

    def show(self, protocol: Protocol, loop: Loop, state: LoopState, now: float, rows: int) -> None:
        """Draws the call as it stands at `now` in this many rows."""
        self.loop = loop.id
        for each in ("open", "answered", "differs", "unanswered"):
            self.set_class(state == each, f"-{each}")
        self.styles.height = rows
        age = self._age
        age.display = rows >= 3 and self.size.width >= ROOMY
        if age.display and age.value != clock(loop.age(now)):
            age.update(clock(loop.age(now)))
        # The digits of an age take 15 cells and a blank on either side.
        width = self.size.width - 2 - (17 if age.display else 0)
        head, body = card_words(protocol, loop, state, now, rows, width, age.display)
        for words, content in zip((self._head, self._body), (head, body), strict=True):
            words.display = bool(content.plain)
            if content != words.content:
                words.update(content, layout=False)


def card_words(
    protocol: Protocol,
    loop: Loop,
    state: LoopState,
    now: float,
    rows: int,
    width: int,
    digits: bool,
) -> tuple[Content, Content]:
    """The head of a card (state, age, window) and its body: the call, then what helps to mend it.

    `width` is the body's, in cells; with `digits` the age stands beside it and not in the head.
    """
    window = _window(loop, state, now)
    head = f"{STATE_MARKS[state]} {STATE_WORDS[state]}"
    title = Content.styled(_title(protocol, loop, in_short=rows == 1), "bold")
    if not digits:
        head = f"{head} {clock(loop.age(now))}"
    if rows == 1:
        short = _short_window(loop, state, now)
        line = Content.assemble(f"{head} {short}{'  ' if short else ''}", title)
        return line.truncate(width, ellipsis=True), Content("")
    if rows >= 3:
        if state == "differs":
            return Content(f"{head}  {window}"), Content(_both(protocol, loop, width))
        origin = Content(_origin(protocol, loop))
        return Content(f"{head}  {window}"), Content("\n").join([title, origin])
    return Content(f"{head}  {window}"), title


def _title(protocol: Protocol, loop: Loop, *, in_short: bool = False) -> str:
    """The call and whom it is for; in short, a call that is for everyone says nothing of that."""
    to = station(protocol, loop.to) or ("" if in_short else "everyone")
    return f"{_what(protocol, loop)}{f' → {to}' if to else ''}"


def _what(protocol: Protocol, loop: Loop) -> str:
    return f"{call_in_words(protocol, loop.call, loop.slots)}{' (unsure)' if loop.unsure else ''}"


def _window(loop: Loop, state: LoopState, now: float) -> str:
    if state == "differs":
        return "read-back is not the call"
    if state == "answered":
        return "caller has not confirmed"
    if loop.held is not None:
        return f"held by stand by {clock(now - loop.held)}"
    if state == "unanswered":
        return f"nobody within {duration(round(loop.window_s, 1))}"
    remaining = loop.deadline - now
    return f"{bar(remaining / loop.window_s, BAR)} {clock(max(remaining, 0.0) + 0.999)} left"


def _short_window(loop: Loop, state: LoopState, now: float) -> str:
    if state == "answered":
        return "unconfirmed"
    if loop.held is not None:
        return f"stand by {clock(now - loop.held)}"
    if state == "unanswered":
        return ""
    return bar((loop.deadline - now) / loop.window_s, BAR // 2)


def _both(protocol: Protocol, loop: Loop, width: int) -> str:
    """Both values in two rows: side by side under the call, or under each other where too long.

    Sooner than one of them, the addressee is left out, and then what the call is.
    """
    title = _title(protocol, loop)
    called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
    beside = f"called {called}  ≠  read back {said}"
    if len(beside) <= width:
        return f"{_that_fits((title, _what(protocol, loop)), width)}\n{beside}"
    first = _that_fits((title, _what(protocol, loop), called), width - len("called    "))
    return f"called    {first}\nread back {_that_fits((said,), width - len('read back '))}"


def _that_fits(wordings: Sequence[str], width: int) -> str:
    """The first that fits; the last is cut where none does."""
    fitting = (each for each in wordings if len(each) <= width)
    return next(fitting, f"{wordings[-1][: max(width - 1, 0)]}…")


def _origin(protocol: Protocol, loop: Loop) -> str:
    sender = station(protocol, loop.sender)
    asked = f", asked {loop.repeats + 1} times" if loop.repeats else ""
    return f"called at {clock(loop.opened)}{f' by {sender}' if sender else ''}{asked}"


class CallsPanel(Vertical):
    """All waiting calls, never hiding one without saying so."""

    def __init__(self, protocol: Protocol) -> None:
        super().__init__(id="calls")
        self._protocol = protocol
        self.few = False
        """Whether the calls keep to the first rows, the others being covered."""
        self._title = Static(id="calls-title", classes="title", markup=False)
        self._cards = [CallCard() for _ in range(CARDS)]
        self._more = Static(id="calls-more", markup=False)

    def compose(self) -> ComposeResult:
        yield self._title
        yield from self._cards
        yield self._more

    def spare(self, view: View) -> int:
        """Rows of the column that the calls at the view's moment can do without."""
        wanted = 1 + sum(least([state for _, state in view.waiting]))
        return max(self._column - self._log_rows - max(wanted, 2), STRIP_ROWS)

    def show(self, view: View, below: int = 0) -> None:
        """Draws the calls waiting at the view's moment; `below` rows are another's."""
        waiting = view.waiting
        states = [state for _, state in waiting]
        rows = heights(states, self._take(1 + sum(least(states)), below) - 1)[:CARDS]
        for card, height, (loop, state) in zip(self._cards, rows, waiting, strict=False):
            card.display = height > 0
            if height:
                card.show(self._protocol, loop, state, view.now, height)
        for card in self._cards[len(rows) :]:
            card.display = False
        self._count(waiting, sum(1 for height in rows if height))

    @property
    def _column(self) -> int:
        return self.parent.size.height if isinstance(self.parent, Vertical) else 0

    @property
    def _log_rows(self) -> int:
        return LOG_ROWS if self._column >= LOW_COLUMN else LOW_LOG_ROWS

    def _take(self, wanted: int, below: int) -> int:
        """Takes the rows for the calls: a steady share of the column, more where they need it."""
        column = self._column
        share = column * 9 // 20
        taken = max(min(max(share, wanted), column - self._log_rows - below), 4)
        if self.styles.height is None or self.styles.height.cells != taken:
            self.styles.height = taken
        return min(taken, FEW_ROWS) if self.few else taken

    def _count(self, waiting: Sequence[tuple[Loop, LoopState]], shown: int) -> None:
        states = [state for _, state in waiting]
        parts: list[tuple[str, str]] = [
            ("WAITING ", "bold $heading"),
            (str(len(states)), "bold"),
        ]
        for state in ("unanswered", "differs"):
            if state in states:
                mark = f"{STATE_MARKS[state]} {states.count(state)} {STATE_WORDS[state]}"
                style = "$urgent" if state == "unanswered" else "$conflict"
                parts += [("  ", ""), (f" {mark} ", f"bold $on-urgent on {style}")]
        title = Content.assemble(*parts)
        if title != self._title.content:
            self._title.update(title, layout=False)
        more = self._more
        more.display = not states or shown < len(states)
        line = f"+ {len(states) - shown} more waiting" if states else "Every call is answered."
        if more.display and more.content != line:
            more.update(line, layout=False)
