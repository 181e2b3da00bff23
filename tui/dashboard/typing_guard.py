"""Keeps typed text from running as commands.

Somebody types "patient" where nothing is open: `p` plays, and `a` would open the newest utterance. Somebody
types "drugs" where `d` chooses the drugs nurse: the dialog is gone at the first letter, and "rugs" would be
four commands. Somebody types "bp 100", or strikes `h` before a call waits and then its number: the digits
would choose a doubtful value.
"""

from __future__ import annotations

from typing import Final

from textual import events

TYPING_S: Final = 0.25
"""Letters that follow each other sooner are typed text: at sixty words a minute one takes 0.2 s."""

REFUSED_S: Final = 1.0
"""A digit or letter that follows a key that was refused sooner was meant for what that one opens."""

HELD: Final = "did nothing: it followed other keys at once, and opens what is unsure"

BURST: Final = (
    "did nothing: it followed another letter as typed text does. Press it again if it was meant"
)

NOT_TAKEN: Final = "letters typed after that were not taken as keys"


class TypingGuard:
    """Looks at the keys of a screen that opens dialogs."""

    def __init__(self) -> None:
        self._at: float | None = None
        """When the letter was struck that closed a dialog, or the last one that followed it; seconds."""

        self._held_until: float | None = None
        """Until when digits are the rest of what was typed; seconds."""
        self._ran: tuple[str, float] = ("", 0.0)
        """The letter that was struck last where no dialog was open, and until when others are the rest of
        what was typed; seconds."""

    def ran(self, event: events.Key, *, refused: bool, asks: bool) -> None:
        """Take note of a key that was taken where no dialog was open; `asks` says whether one is now."""
        # A digit that was refused has said itself to look again.
        refused = refused and not (event.character or "").isdigit()
        follows = REFUSED_S if refused else TYPING_S
        typed = _is_text(event) and not asks
        self._held_until = event.time + follows if typed or refused else None
        self._ran = (event.character or "", event.time + follows) if typed else ("", 0.0)

    def bursts(self, event: events.Key) -> bool:
        """Return whether a letter, struck where no dialog is open, follows another one as quickly as in
        typed text, or one that was refused and would have opened something. A key that is held down, or
        struck twice, is none.
        """
        before, until = self._ran
        character = event.character or ""
        bursts = character.isalpha() and before not in ("", character) and event.time < until
        if bursts:
            self._ran = character, event.time + TYPING_S
            self._held_until = event.time + REFUSED_S
        return bursts

    def holds(self, event: events.Key) -> bool:
        """Return whether a digit, struck where no dialog is open, belongs to what was typed just before."""
        digit = (event.character or "").isdigit()
        held = digit and self._held_until is not None and event.time < self._held_until
        if held:
            self._held_until = event.time + REFUSED_S
        return held

    def closed(self, event: events.Key, *, letters_may_follow: bool = False) -> None:
        """Take note of a key that closed a dialog; `letters_may_follow` one to which letters are typed, one
        after the other.
        """
        self._at = event.time if letters_may_follow or _is_text(event) else None

    def goes_on(self, event: events.Key) -> bool:
        """Return whether a key, struck where no dialog is open, belongs to the text that closed one."""
        goes_on = self._at is not None and _is_text(event) and event.time - self._at < TYPING_S
        self._at = event.time if goes_on else None
        return goes_on


def _is_text(event: events.Key) -> bool:
    character = event.character or ""
    return character.isalpha() or character == " "
