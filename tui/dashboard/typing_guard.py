"""Keeps the rest of a typed word from running as commands, once a letter of it has closed a dialog.

Somebody types "drugs" where `d` chooses the drugs nurse: the dialog is gone at the first letter, and "rugs"
would be four commands.
"""

from __future__ import annotations

from typing import Final

from textual import events

TYPING_S: Final = 0.25
"""Letters that follow each other sooner are typed text: at sixty words a minute one takes 0.2 s."""

NOT_TAKEN: Final = "letters typed after that were not taken as keys"


class TypingGuard:
    """Looks at the keys of a screen that opens dialogs."""

    def __init__(self) -> None:
        self._at: float | None = None
        """When the letter was struck that closed a dialog, or the last one that followed it; seconds."""

    def closed(self, event: events.Key) -> None:
        """A key has closed a dialog."""
        self._at = event.time if _is_text(event) else None

    def goes_on(self, event: events.Key) -> bool:
        """Whether a key, struck where no dialog is open, belongs to the text that closed one."""
        goes_on = self._at is not None and _is_text(event) and event.time - self._at < TYPING_S
        self._at = event.time if goes_on else None
        return goes_on


def _is_text(event: events.Key) -> bool:
    character = event.character or ""
    return character.isalpha() or character == " "
