"""Ending a case that is still being heard: never by one key alone, and not before it is said what is still
unheard."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from textual.content import Content

from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.keys import KeyMap
from tui.text.wording import clock

END = "end"
"""The dialog's result where the case is to end now."""

WAIT = "wait"
"""The dialog's result where no more sound is to be taken, and the case is to end once all is heard."""


@dataclass(frozen=True, slots=True)
class Unheard:
    """The sound of a running case that is not heard yet."""

    seconds: int
    up_to: float
    """The moment up to which it is heard, seconds on the case's clock."""
    recorded: bool
    """Whether the recording keeps it."""


class LeaveDialog(Dialog):
    """Asks whether the case is to end; while hearing lags it offers to wait."""

    def __init__(
        self,
        keys: KeyMap,
        stands: Callable[[], tuple[bool, Unheard | None]],
        still_open: Callable[[], str],
    ) -> None:
        """`stands` tells whether no more sound comes, and what is not heard yet: None while hearing is in
        time. `still_open` says in words what nobody has closed, "" where nothing is."""
        super().__init__(keys)
        self._stands, self._still_open = stands, still_open
        self._over, self._unheard = stands()
        self._open = still_open()

    def look(self) -> bool:
        """Hearing goes on while the question stands."""
        before = self._over, self._unheard, self._open
        self._over, self._unheard = self._stands()
        self._open = self._still_open()
        return before != (self._over, self._unheard, self._open)

    @property
    def _can_wait(self) -> bool:
        return self._unheard is not None and not self._over

    def press(self, key: str, character: str | None) -> None:
        if key == self.keymap.of("quit"):
            self.end()
        elif self._can_wait and key == self.keymap.of("leave-wait"):
            self.wait()
        elif character and key != "enter":
            raise ValueError(
                f"the case goes on; {self.keymap.shown('quit')} ends it, "
                f"{self.keymap.shown('close')} closes this question"
            )

    def on_ctrl_c(self) -> str:
        """Ctrl-C twice is a habit, and no answer."""
        return (
            f"Ctrl-C ends nothing: {self.keymap.shown('quit')} ends the case, "
            f"{self.keymap.shown('close')} goes on"
        )

    def end(self) -> None:
        """End the case now."""
        self.dismiss(END)

    def wait(self) -> None:
        """No more sound is taken, and the case ends once all is heard."""
        self.dismiss(WAIT)

    def lines(self) -> Iterable[Line]:
        # Without the hint that Esc leaves: that might be taken for leaving the case.
        yield Content.styled(f"END THE CASE? {self._still_heard()}", "bold $heading")
        if self._open:
            yield Content.styled(self._open, "bold $urgent")
        shown = self.keymap.shown
        if self._can_wait:
            wait = "waits: no more sound is taken, the rest is heard, then the case ends"
            yield clickable(_key(shown("leave-wait"), wait), "wait")
        yield clickable(_key(f"{shown('quit')} again", self._ends_now()), "end")
        stays = "waits: the rest is heard, then the case ends" if self._over else ""
        yield _key(shown("close"), stays or "goes on listening", "$ink")

    def _still_heard(self) -> str:
        """Return how far the case is heard."""
        if self._unheard is None:
            return "Its last sound is being heard." if self._over else "It is still being heard."
        return (
            f"{self._unheard.seconds} s of its sound are not heard yet"
            f" (heard up to {clock(self._unheard.up_to)})."
        )

    def _ends_now(self) -> str:
        """Return what ending now does to what is not heard."""
        if self._unheard is None:
            return "ends the case"
        left = (
            "the recording keeps it, and `answerback rehear` hears it"
            if self._unheard.recorded
            else "it is LOST, for this case is not recorded"
        )
        return f"ends it now: the rest is not in the log; {left}"


def _key(key: str, words: str, style: str = "bold $ink") -> Line:
    return Content.assemble((f"{key} ", "bold $heading"), (words, style))
