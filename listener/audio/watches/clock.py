"""Finds that the computer's clock was set forward or back while a case runs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from listener.audio.blocks import Block

_STEP_S: Final = 1.0
"""A step that counts, seconds. Programs that keep a clock right move it by less at a time."""
_TOLD_S: Final = 60.0
"""Seconds for which it is said."""


class ClockSet:
    """Watches whether the machine's time of day was set. The case's times follow a steady clock."""

    what = "clock"

    def __init__(self, steady: Callable[[], float], wall: Callable[[], float]) -> None:
        """Both in seconds; `steady` goes on while the computer sleeps."""
        self._steady, self._wall = steady, wall
        self._offset = wall() - steady()
        self._told = ""
        self._until = 0.0

    def look(self, _block: Block) -> str:
        """Return a sentence where the clock of the machine was set, see `Watch.look`."""
        steady = self._steady()
        offset = self._wall() - steady
        step = offset - self._offset
        if abs(step) >= _STEP_S:
            way = "forward" if step > 0 else "back"
            self._told = (
                f"the computer's clock was set {way} by {abs(step):.0f} s: the case's goes on"
            )
            self._until = steady + _TOLD_S
            self._offset = offset
        return self._told if steady < self._until else ""
