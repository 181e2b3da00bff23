"""Timers in large digits. They count on their own: what they show follows from the time."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Digits, Static

from grammar.timers import Timer, TimerState
from grammar.view import View
from tui.wording import clock, duration, left

FACES = 2
"""Timers in large digits at once; the others are listed below in words."""
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

    def compose(self) -> ComposeResult:
        yield self._label
        yield self._digits

    def show(self, timer: Timer, state: TimerState, now: float) -> None:
        """Draws the timer at `now`."""
        up = state == "done"
        self.set_class(up, "-done")
        label = f"{'!! TIME UP' if up else 'running'} {duration(round(timer.duration_s, 1))}"
        digits = _digits(timer, now)
        if self._label.content != label:
            self._label.update(label, layout=False)
        if self._digits.value != digits:
            self._digits.update(digits)


class TimersPanel(Vertical):
    """The timers that matter now, and how the last one ended where none runs."""

    def __init__(self) -> None:
        super().__init__()
        self._faces = [TimerFace() for _ in range(FACES)]
        self._row = Horizontal(*self._faces, id="faces")
        self._below = Static(id="timers-more", markup=False)

    def compose(self) -> ComposeResult:
        yield Static("TIMERS", classes="title", markup=False)
        yield self._row
        yield self._below

    def show(self, view: View) -> None:
        """Draws the timers at the view's moment."""
        timers = in_order(view)
        faces = FACES if self.size.width >= ROOMY else 1
        for index, face in enumerate(self._faces):
            face.display = index < min(len(timers), faces)
            if face.display:
                face.show(*timers[index], view.now)
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
                f"{duration(round(timer.duration_s, 1))}: {_digits(timer, view.now)}"
                for timer, _ in timers[faces:]
            ]
            return f"also {', '.join(rest)}" if rest else ""
        ended = [timer for timer, _ in view.timers if timer.completed is not None]
        if not ended:
            return "none running"
        last = max(ended, key=lambda timer: timer.completed or 0.0)
        name = duration(round(last.duration_s, 1))
        return f"{name} called complete at {clock(last.completed or 0.0)}"

    @property
    def rows(self) -> int:
        """Rows it needs as it was last shown."""
        faces = 4 if self._row.display else 0
        return 1 + faces + (1 if self._below.display else 0)
