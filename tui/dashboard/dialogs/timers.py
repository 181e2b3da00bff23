"""Timers by hand: start one, stop one, give one a minute more."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.timers import Timer
from grammar.case.view import View
from tui.dashboard.dialogs.dialog import Dialog, Line, choice, clickable
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.widgets.timers import in_order
from tui.text.wording import clock, duration, left

MORE_S = 60.0
"""Seconds that one press of extend adds."""
MOST = 9
START = "start"
"""The dialog's result where a new timer is wanted."""


class TimersDialog(Dialog):
    """The timers that are not over, the one due first chosen already."""

    def __init__(self, keys: KeyMap, manual: ManualEntry, view_now: Callable[[], View]) -> None:
        super().__init__(keys)
        self._manual = manual
        self._view_now = view_now
        self._listed: list[Timer] = [timer for timer, _ in in_order(view_now())][:MOST]
        self._at = 0

    def press(self, key: str, character: str | None) -> None:
        of = self.keymap.of
        if key == of("timer-start"):
            self.begin()
        elif key == of("timer-stop"):
            self.stop()
        elif key == of("timer-extend"):
            self.extend()
        elif key in (of("timer-next"), of("timer-before")) and self._listed:
            step = 1 if key == of("timer-next") else -1
            self._at = (self._at + step) % len(self._listed)
        elif character and character.isdigit():
            if not 0 < int(character) <= len(self._listed):
                raise ValueError("no such timer runs")
            self._at = int(character) - 1
        elif character:
            raise ValueError(f"{self.keymap.shown('timer-start')} starts a timer")

    def begin(self) -> None:
        """Start a new timer."""
        self.dismiss(START)

    def stop(self) -> None:
        """End the timer chosen."""
        timer = self._chosen()
        self._manual.stop_timer(timer.fact)
        self.dismiss(f"timer stopped: {timer.name}")

    def extend(self) -> None:
        """Give the timer chosen a minute more."""
        timer = self._chosen()
        self._manual.extend_timer(timer.fact, MORE_S)
        whole = duration(round(timer.duration_s + timer.extended_s + MORE_S, 1))
        self.dismiss(f"{duration(MORE_S)} more: the timer {timer.origin} is now {whole}")

    def _chosen(self) -> Timer:
        if not self._listed:
            raise ValueError(f"no timer runs: {self.keymap.shown('timer-start')} starts one")
        return self._listed[self._at]

    def choose(self, at: int) -> None:
        """Choose the timer that is to be stopped or extended."""
        self._at = at

    def lines(self) -> Iterable[Line]:
        yield self.heading("TIMERS")
        now = self._view_now().now
        if not self._listed:
            yield Content.styled("none runs", "$ink")
        for at, timer in enumerate(self._listed):
            rest = timer.remaining(now)
            stands = f"{left(rest)} left" if rest > 0 else f"!! TIME UP +{clock(-rest)}"
            text = f"{timer.name}  {stands}"
            yield choice(str(at + 1), text, "choose", at, chosen=at == self._at)
        shown = self.keymap.shown
        parts = [(shown("timer-start"), "start a timer", "begin")]
        if self._listed:
            parts.append((shown("timer-stop"), "stop it", "stop"))
            parts.append((shown("timer-extend"), f"{duration(MORE_S)} more", "extend"))
        yield Content("   ").join(
            clickable(Content.assemble((f"{key} ", "bold $heading"), (words, "$ink")), does)
            for key, words, does in parts
        )
