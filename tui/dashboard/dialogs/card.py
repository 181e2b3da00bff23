"""Somebody joins a case: who it is, their yes, and the card that they read while the case goes on."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.errors import UserError
from listener.team.card_in_case import CardInCase
from listener.team.consent_in_case import ConsentInCase
from tui.dashboard import call_entry as entry
from tui.dashboard.dialogs.dialog import Dialog, Line, choice, clickable, columns
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.speakers import SAY_CASE, VOICE_NOTICE
from tui.text.wording import station

_NO = "no yes: nobody's card is read, and nothing is kept"


class CardDialog(Dialog):
    """Chooses the station, then asks for the yes; while a card is read, skips a sentence or ends it."""

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        reading: CardInCase | None,
        begun: Callable[[CardInCase], None],
    ) -> None:
        """`reading` is the card that is being read; `begun` is given one that begins."""
        super().__init__(keys)
        self._manual, self._reading, self._begun = manual, reading, begun
        self._stations = [each.id for each in manual.protocol.station]
        self._letters = entry.letters([station(manual.protocol, each) for each in self._stations])
        self._who: str | None = None
        self._consent: ConsentInCase | None = None
        """Hears a yes that is said aloud, once it is known who is asked."""
        self._unclear = 0

    def dismiss(self, result: str | None) -> None:
        if self._consent:
            self._consent.close()
        super().dismiss(result)

    def look(self) -> bool:
        heard = self._consent
        if heard is None or self.left:
            return False
        if heard.answer == "case":
            self.act(self.yes)
        elif heard.answer == "no":
            self.dismiss(_NO)
        elif heard.unclear > self._unclear:
            self.error = f"that was no clear yes: say “{SAY_CASE}”, or press a key"
        else:
            return False
        self._unclear = heard.unclear
        return True

    def press(self, key: str, character: str | None) -> None:
        if self._reading:
            if key == self.keymap.of("card-skip"):
                self.skip()
            elif key == self.keymap.of("card-end"):
                self.end()
            elif character:
                raise ValueError("the card goes on")
        elif self._who is None:
            if character and character in self._letters:
                self.who(self._letters.index(character))
            elif character:
                raise ValueError("a letter chooses who joins")
        elif key == self.keymap.of("card-yes"):
            self.yes()
        elif character or key == "enter":
            self.dismiss(_NO)

    def who(self, at: int) -> None:
        """Choose the station, and listen for a yes."""
        self._who = self._stations[at]
        if self._manual.hear_yes and self._manual.read_card:
            self._consent = self._manual.hear_yes()

    def yes(self) -> None:
        """Begin the card of whoever said yes."""
        if self._manual.read_card is None or self._who is None:
            raise UserError("nobody reads a card here: no microphone hears this case")
        self._begun(self._manual.read_card(self._who))
        name = station(self._manual.protocol, self._who)
        self.dismiss(f"{name} reads a card: its sentences are no calls; all else is heard")

    def skip(self) -> None:
        """Ask for the next sentence."""
        if self._reading:
            self._reading.skip()
        self.dismiss("the sentence is skipped")

    def end(self) -> None:
        """End the card; what was read counts where it is enough."""
        if self._reading:
            self._reading.end()
            self.dismiss(f"the card is over: {self._reading.progress.news}")

    def lines(self) -> Iterable[Line]:
        protocol, shown = self._manual.protocol, self.keymap.shown
        if self._reading:
            told = self._reading.progress
            title = f"CARD OF {told.title.upper()}"
            yield self.heading(title, f"{told.number} of {told.of}")
            yield Content.styled(f"say: {told.phrase}   ({told.news})", "bold $ink")
            for key, words, does in (
                ("card-skip", "skip this sentence", "skip"),
                ("card-end", "end the card", "end"),
            ):
                line = Content.assemble((f"{shown(key)}  ", "bold $heading"), (words, "$ink"))
                yield clickable(line, does)
            return
        yield self.heading("SOMEBODY JOINS: a minute's card, known for this case only")
        if self._who is None:
            items = [
                choice(letter, station(protocol, each), "who", at)
                for at, (letter, each) in enumerate(zip(self._letters, self._stations, strict=True))
            ]
            yield from columns(items, self.room)
            return
        yield Content.styled(VOICE_NOTICE, "$quiet")
        name = station(protocol, self._who)
        yes = (f"{shown('card-yes')}  ", f"{name} says yes now: their card begins", "yes")
        line = Content.assemble((yes[0], "bold $heading"), (yes[1], "bold $ink"))
        yield clickable(line, yes[2])
        if self._consent:
            yield Content.styled(f"or {name} says aloud: “{SAY_CASE}”", "bold $ink")
        yield Content.styled("any other key is a no", "$quiet")
