"""Timers in large digits. They count on their own: what they show follows from the time."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widgets import Digits, Static

from grammar.case.timers import Timer, TimerState
from grammar.case.view import View
from tui.text.wording import clock, duration, left

FACES = 2
"""Timers in large digits at once; the others are listed below in words."""
DIGIT_ROWS = 3
ROOMY = 37
"""Cells that two timers need side by side: "+00:12" in large digits is 18 wide."""


def in_order(view: View) -> list[tuple[Timer, TimerState]]:
    """Timers that nobody has called complete, the one that was or will be due first on top."""
    waiting = [pair for pair in view.timers if pair[1] != "complete"]
    return sorted(waiting, key=lambda pair: pair[0].due)


def _digits(timer: Timer, now: float) -> str:
    """Time left, or with a plus the time past."""
    remaining = timer.remaining(now)
    # As the state has it: at the very moment the time is up.
    return f"+{clock(-remaining)}" if remaining <= 0 else left(remaining)


class TimerFace(Vertical):
    """One timer: the time left, or the time past once it is up."""

    def __init__(self) -> None:
        super().__init__()
        self._label = Static(classes="label", markup=False)
        self._digits = Digits()
        self._rows = 1

    def compose(self) -> ComposeResult:
        yield self._label
        yield self._digits

    def show(self, timer: Timer, state: TimerState, now: float, label: str, rows: int) -> None:
        """Draw the timer at `now`, its label on so many rows."""
        self.set_class(state == "done", "-done")
        digits = _digits(timer, now)
        if self._rows != rows:
            self._rows = self._label.styles.height = rows
        if self._label.content != label:
            self._label.update(label, layout=False)
        if self._digits.value != digits:
            self._digits.update(digits)


def _label(timer: Timer, state: TimerState, width: int) -> str:
    """Return the words for a timer, on one row where that has room."""
    what = f"{'!! TIME UP' if state == 'done' else 'running'} {_length(timer)}"
    both = f"{what}, {timer.origin}"
    return both if len(both) <= width else f"{what}\n{timer.origin}"


def _length(timer: Timer) -> str:
    """In all: there is no room for the sum."""
    return duration(round(timer.duration_s + timer.extended_s, 1))


class TimersPanel(Vertical):
    """The timers that matter now, and how the last one ended where none runs."""

    def __init__(self) -> None:
        super().__init__()
        self._faces = [TimerFace() for _ in range(FACES)]
        self._row = Horizontal(*self._faces, id="faces")
        self._below = Static(id="timers-more", markup=False)
        self._label_rows = 1

    def compose(self) -> ComposeResult:
        yield Static("TIMERS", classes="title", markup=False)
        yield self._row
        yield self._below

    def show(self, view: View) -> None:
        """Draw the timers at the view's moment."""
        timers = in_order(view)
        faces = FACES if self.size.width >= ROOMY else 1
        width = max(self.size.width if len(timers[:faces]) < 2 else self.size.width // 2 - 1, 1)
        labels = [_label(timer, state, width) for timer, state in timers[:faces]]
        rows = max((len(Content(label).wrap(width)) for label in labels), default=1)
        if rows != self._label_rows:
            self._label_rows = rows
            self._row.styles.height = rows + DIGIT_ROWS
        for at, face in enumerate(self._faces):
            face.display = at < len(labels)
            if face.display:
                face.show(*timers[at], view.now, labels[at], rows)
        self._row.display = bool(timers)
        more = self._below
        line = self._more(view, timers, faces)
        more.display = bool(line)
        if more.content != line:
            more.update(line, layout=False)

    @staticmethod
    def _more(view: View, timers: list[tuple[Timer, TimerState]], faces: int) -> str:
        if timers:
            rest = [
                f"{_length(timer)} {timer.origin}: {_digits(timer, view.now)}"
                for timer, _ in timers[faces:]
            ]
            return f"also {', '.join(rest)}" if rest else ""
        ended = [timer for timer, _ in view.timers if timer.completed is not None]
        if not ended:
            return "none running"
        last = max(ended, key=lambda timer: timer.completed or 0.0)
        how = "stopped" if last.stopped else "called complete"
        return f"{last.length} {how} at {clock(last.completed or 0.0)}"

    @property
    def rows(self) -> int:
        """Rows it needs as it was last shown."""
        faces = self._label_rows + DIGIT_ROWS if self._row.display else 0
        return 1 + faces + (1 if self._below.display else 0)
