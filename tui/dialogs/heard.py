"""That was heard: an open call gets its answer from the person who heard it."""

from __future__ import annotations

from collections.abc import Iterable

from grammar.loops import Loop, LoopState
from grammar.view import View
from tui.dialogs.dialog import Dialog, Line, choice
from tui.hands import Hands
from tui.keys import KeyMap
from tui.wording import STATE_MARKS, STATE_WORDS, call_in_words, clock, station

MOST = 9


class Heard(Dialog):
    """The calls that wait, as they stood when it was opened: numbers do not move under the fingers."""

    def __init__(self, keys: KeyMap, hands: Hands, view: View, loop: int | None = None) -> None:
        """`loop` is chosen already where it was clicked."""
        super().__init__(keys)
        self._hands = hands
        self._view = view
        self._waiting: tuple[tuple[Loop, LoopState], ...] = view.waiting[:MOST]
        first = view.waiting[0][0].id if view.waiting else None
        clicked = [pair for pair in view.waiting if pair[0].id == (loop or first)]
        if clicked and clicked[0] not in self._waiting:
            self._waiting = (*self._waiting[:-1], clicked[0])
        self._at = self._waiting.index(clicked[0]) if clicked else 0

    def press(self, key: str, character: str | None) -> None:
        if key in ("down", "up"):
            self._at = (self._at + (1 if key == "down" else -1)) % len(self._waiting)
        elif key == "enter":
            self.choose(self._at)
        elif character and character in "123456789"[: len(self._waiting)]:
            self.choose(int(character) - 1)
        elif character:
            raise ValueError(f"choose 1 to {len(self._waiting)}")

    def choose(self, at: int) -> None:
        """Takes one call for answered."""
        loop = self._waiting[at][0]
        self._hands.heard(loop.id)
        self.dismiss(f"answer heard: {self._words(loop)}")

    def lines(self) -> Iterable[Line]:
        yield self.heading("THAT WAS HEARD", "number of the call that was answered")
        for at, (loop, state) in enumerate(self._waiting):
            age = clock(loop.age(self._view.now))
            text = f"{STATE_MARKS[state]} {STATE_WORDS[state]} {age}  {self._words(loop)}"
            yield choice(str(at + 1), text, "choose", at, chosen=at == self._at)

    def _words(self, loop: Loop) -> str:
        protocol = self._hands.protocol
        to = station(protocol, loop.to) or "everyone"
        return f"{call_in_words(protocol, loop.call, loop.slots)} → {to}"
