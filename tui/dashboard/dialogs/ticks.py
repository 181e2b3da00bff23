"""Checklist items ticked by hand, as many as are wanted. It stays open until somebody leaves it: closed by
the first letter, the next one would be a key of the dashboard and stop a timer."""

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
    """All checklists with their items; each letter ticks one. The key that takes back what was done by hand
    does so here with what was ticked here."""

    letters_may_follow = True

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        view_now: Callable[[], View],
        do: Callable[[Callable[[ManualEntry], str]], None],
    ) -> None:
        """`do` does something, and tells at once the sentence that comes of it and how it is taken back."""
        super().__init__(keys)
        self._manual = manual
        self._view_now = view_now
        self._do = do
        self._items = [
            (progress.id, item, title)
            for progress in view_now().checklists
            for item, title in progress.items
        ]
        titles = [title for _, _, title in self._items]
        self._letters = entry.letters(titles, taken=(keys.of("undo"),))
        self._at: int | None = None
        """The item that an arrow has marked, which Enter ticks; None where Enter leaves."""
        self._done = 0
        """Items ticked here that stand."""

    def press(self, key: str, character: str | None) -> None:
        if key in ("down", "up"):
            step = 1 if key == "down" else -1
            before = (-1 if step > 0 else 0) if self._at is None else self._at
            self._at = (before + step) % len(self._items)
        elif key == "enter":
            if self._at is None:
                self.dismiss(None)
            else:
                self.tick(self._at)
        elif key == self.keymap.of("undo"):
            self.untick()
        elif character and character in self._letters:
            self._at = None
            self.tick(self._letters.index(character))
        else:
            self.no_such_letter(character)

    def tick(self, at: int) -> None:
        """Tick one item. Raises ValueError where it is ticked already."""
        checklist, item, title = self._items[at]
        progress = next(each for each in self._view_now().checklists if each.id == checklist)
        answered = progress.answered.get(item)
        if answered is not None:
            raise ValueError(f"{clean(title)} {self._ticked(checklist, item, answered)}")

        def ticked(manual: ManualEntry) -> str:
            manual.tick(checklist, item)
            self._done += 1
            return f"ticked: {clean(title)}"

        self._do(ticked)

    def untick(self) -> None:
        """Take back the last tick made here. Raises ValueError where none was."""
        undo, close = self.keymap.shown("undo"), self.keymap.shown("close")
        if not self._done:
            raise ValueError(
                f"nothing was ticked here yet: {close}, then {undo} takes back what was done before"
            )

        def undone(manual: ManualEntry) -> str:
            words = manual.undo()
            self._done -= 1
            return f"taken back: {words}"

        self._do(undone)

    def _ticked(self, checklist: str, item: str, at: float) -> str:
        """How an item was ticked, and what can be done about it."""
        shown = self.keymap.shown
        by_hand = any(
            isinstance(fact, Ticked)
            and (fact.checklist, fact.item, fact.t) == (checklist, item, at)
            for fact in self._manual.facts()
        )
        if by_hand:
            way, can = "hand", f"{shown('undo')}: takes back what was done by hand, the last first"
        else:
            way, can = "voice", f"{shown('amend')}: put right what was said, if it was not so"
        return f"was ticked by {way} at {clock(at)}; {can}"

    def lines(self) -> Iterable[Line]:
        yield self.heading("TICK", "letters of items, or ↑↓ and Enter")
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
