"""The questions that Tab opens while a call is entered: for whom it is, who made it, and when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from textual.content import Content

from tui.dashboard import call_entry as entry
from tui.dashboard.dialogs.dialog import Line, choice, columns
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import station

Question = Literal["to", "sender", "when"]
WORDS: dict[Question, str] = {
    "to": "for whom is it?",
    "sender": "who made it?",
    "when": "when was it? 90s or 2m ago, 3:25 of the case, or the time of day; Enter",
}
NEXT: dict[Question | None, Question] = {
    None: "to",
    "to": "sender",
    "sender": "when",
    "when": "to",
}


class WhoAndWhen:
    """The stations and the time that were named so far for one call, and the question that is open."""

    def __init__(self, keys: KeyMap, manual: ManualEntry) -> None:
        self.asks: Question | None = None
        """The question that is open; None while none is."""
        self.at_s: float | None = None
        """The time at which the call was made, seconds on the case's clock; None for now."""
        self._keymap = keys
        self._manual = manual
        self._stations = [each.id for each in manual.protocol.station]
        self._named: dict[Question, str] = {}
        self._when = Typed()
        """That time as written; empty for now."""

    @property
    def to(self) -> str | None:
        """Return the id of the station that the call is for; None where nobody said."""
        return self._named.get("to")

    @property
    def sender(self) -> str | None:
        """Return the id of the station that made the call; None where nobody said."""
        return self._named.get("sender")

    @property
    def is_named(self) -> bool:
        """Return whether either station was named."""
        return bool(self._named)

    def ask_next(self) -> None:
        """Open the next question, after the last one the first."""
        self.asks = NEXT[self.asks]

    def press(self, key: str, character: str | None) -> bool:
        """Take a key for the open question; return False for a letter that stands at no station.

        Raises ValueError for a time that cannot be read.
        """
        if self.asks == "when":
            if key == "enter":
                text = self._when.text.strip()
                # Resolved once: what is read is what will be stored.
                self.at_s = self._manual.past(text) if text else None
                self.asks = None
            else:
                self._when.press(key, character)
        elif key == self._keymap.of("enter-back"):
            self.asks = None
        elif character and character.lower() in self._letters():
            self.choose(self._letters().index(character.lower()))
        else:
            return False
        return True

    def choose(self, at: int) -> None:
        """Answer the open question with a station, by its place in the protocol."""
        if self.asks:
            self._named[self.asks] = self._stations[at]
        self.asks = None

    def in_words(self) -> str:
        """Return who made the call, whom it is for, and when, as far as it was said; "" otherwise."""
        named = {who: station(self._manual.protocol, each) for who, each in self._named.items()}
        sender = f" by {named['sender']}" if "sender" in named else ""
        when = f" {self._manual.in_words(self.at_s)}" if self.at_s is not None else ""
        return (f"{sender} → {named['to']}" if "to" in named else sender) + when

    def hint(self) -> str:
        """Return which question comes next, and the key that goes back where a station is asked for."""
        again = (
            f"{self._keymap.shown('enter-who')} again: {WORDS[NEXT[self.asks]].partition('?')[0]}?"
        )
        back = f"{self._keymap.shown('enter-back')}: back"
        return again if self.asks == "when" else f"{again}  {back}"

    def lines(self, room: int) -> Iterator[Line]:
        """Yield the open question and its possible answers, in lines of `room` cells."""
        if self.asks == "when":
            yield Content.styled(WORDS["when"], "$ink")
            yield Content.assemble(self._when.picture(), (f"   {self._read_time()}", "$quiet"))
            return
        yield Content.styled(WORDS[self.asks or "to"], "$ink")
        items = [
            choice(letter, name, "who", at)
            for at, (letter, name) in enumerate(zip(self._letters(), self._names(), strict=True))
        ]
        yield from columns(items, room)

    def _names(self) -> list[str]:
        return [station(self._manual.protocol, each) for each in self._stations]

    def _letters(self) -> list[str]:
        return entry.letters(self._names())

    def _read_time(self) -> str:
        """Return the moment that Enter would give the written time."""
        text = self._when.text.strip()
        return self._manual.read_as(text) if text else "= now"
