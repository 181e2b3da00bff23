"""One line of typing. It takes keys at once, before anything is drawn: quick fingers lose nothing."""

from __future__ import annotations

from textual.content import Content

from tui.text.wording import clean

LONGEST = 400
"""Characters a line takes."""


class Typed:
    """The text so far and the place in it."""

    def __init__(self, text: str = "") -> None:
        """`text` is there to begin with, chosen whole: typing replaces it, an arrow keeps it."""
        self.text = text
        self._at = len(text)
        self._whole = bool(text)

    def press(self, key: str, character: str | None) -> bool:
        """Take a key; return False for one that does nothing here."""
        whole, self._whole = self._whole, False
        match key:
            case "backspace" | "delete" if whole:
                self.text, self._at = "", 0
            case "backspace" if self._at:
                self.text = self.text[: self._at - 1] + self.text[self._at :]
                self._at -= 1
            case "delete":
                self.text = self.text[: self._at] + self.text[self._at + 1 :]
            case "ctrl+u":
                self.text, self._at = "", 0
            case "left":
                self._at = max(self._at - 1, 0)
            case "right":
                self._at = min(self._at + 1, len(self.text))
            case "home":
                self._at = 0
            case "end":
                self._at = len(self.text)
            case _ if character and character.isprintable():
                self._whole = whole
                self.add(character)
            case _:
                self._whole = whole
                return False
        return True

    def add(self, text: str) -> None:
        """Put text in at the place, as pasting does."""
        if self._whole:
            self.text, self._at, self._whole = "", 0, False
        new = clean(text)[: max(LONGEST - len(self.text), 0)]
        self.text = self.text[: self._at] + new + self.text[self._at :]
        self._at += len(new)

    def picture(self) -> Content:
        """Return the line with its place marked."""
        if self._whole:
            return Content.assemble(("> ", "bold $heading"), (self.text, "reverse"))
        before, after = self.text[: self._at], self.text[self._at :]
        return Content.assemble(
            ("> ", "bold $heading"),
            (before, "bold $ink"),
            (after[:1] or " ", "reverse"),
            (after[1:], "bold $ink"),
        )
