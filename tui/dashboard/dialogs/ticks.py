"""A checklist item ticked by hand. It closes after one: left open, the next key would tick another."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.facts import Ticked
from grammar.case.view import View
from tui.dashboard import call_entry as entry
from tui.dashboard.dialogs.dialog import Dialog, Line, choice
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import clean, clock


class ChecklistDialog(Dialog):
    """All checklists with their items; a letter ticks one."""

    def __init__(self, keys: KeyMap, hands: ManualEntry, view_now: Callable[[], View]) -> None:
        super().__init__(keys)
        self._hands = hands
        self._view_now = view_now
        self._items = [
            (progress.id, item, title)
            for progress in view_now().checklists
            for item, title in progress.items
        ]
        self._letters = entry.letters([title for _, _, title in self._items])
        self._at = 0

    def press(self, key: str, character: str | None) -> None:
        if key in ("down", "up"):
            self._at = (self._at + (1 if key == "down" else -1)) % len(self._items)
        elif key == "enter":
            self.tick(self._at)
        elif character and character in self._letters:
            self.tick(self._letters.index(character))
        elif character:
            raise ValueError(f'no letter "{clean(character)}" stands here')

    def tick(self, at: int) -> None:
        """Ticks one item, unless it is answered already."""
        checklist, item, title = self._items[at]
        self._at = at
        progress = next(each for each in self._view_now().checklists if each.id == checklist)
        answered = progress.answered.get(item)
        if answered is not None:
            # Left open, the next key of the dashboard would tick another item.
            self.dismiss(f"{clean(title)} {self._ticked(checklist, item, answered)}")
            return
        self._hands.tick(checklist, item)
        self.dismiss(f"ticked: {clean(title)}")

    def _ticked(self, checklist: str, item: str, at: float) -> str:
        """How an item was ticked, and what can be done about it."""
        shown = self.keymap.shown
        by_hand = any(
            isinstance(fact, Ticked)
            and (fact.checklist, fact.item, fact.t) == (checklist, item, at)
            for fact in self._hands.facts()
        )
        if by_hand:
            way, can = "hand", f"{shown('undo')}: takes back what was done by hand, the last first"
        else:
            way, can = "voice", f"{shown('amend')}: put right what was said, if it was not so"
        return f"was ticked by {way} at {clock(at)}; {can}"

    def lines(self) -> Iterable[Line]:
        yield self.heading("TICK", "letter of one item")
        at = 0
        for progress in self._view_now().checklists:
            count = len(progress.items) - len(progress.missing)
            name = f"{clean(progress.title)} {count}/{len(progress.items)}"
            yield Content.styled(name, "bold $ink")
            for item, title in progress.items:
                answered = progress.answered.get(item)
                state = f"[x] {clock(answered)} " if answered is not None else "[ ]       "
                text = f"{state}{clean(title)}"
                yield choice(self._letters[at], text, "tick", at, chosen=at == self._at)
                at += 1
