"""A reading of an utterance is seen in words and takes Enter, or is typed: its drug, number, unit, or that
it was not said."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.view import Utterance, View
from grammar.language.other_readings import Guess, Guesses
from grammar.protocol.model import Protocol
from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.entry_doubts import far_vital, sheet_doubt
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import (
    clock,
    heard,
    meaning_in_words,
    put_right,
    station,
    typed_in_words,
    utterance_in_words,
)


def odd(protocol: Protocol, view: View, said: Utterance, found: Guess | None) -> str:
    """Return a clause on a dose outside the sheet, or a vital sign far from the one before, that an
    utterance would hold if it were read as `found`; None takes it as it stands. "" where nothing is odd."""
    reading = found.meaning.reading if found else None
    if found and reading is None:
        return ""
    slots = reading.slots if reading else said.slots
    call = protocol.calls.get(reading.call if reading else said.call or "")
    far = far_vital(call, slots, view.vitals, at=said.t, but=said.fact) if call else ""
    return far or sheet_doubt(protocol, slots, view.weight_kg)


class ConfirmDialog(Dialog):
    """Stores nothing before Enter. A value typed replaces the value alone; a sentence replaces all.

    A dose outside the sheet, a vital sign far from the one before, and words that make another kind of call
    of it, take Enter twice.
    """

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        *,
        said: Utterance,
        chosen: Guess | None,
        guesses: Guesses,
        view_now: Callable[[], View],
        withdraw: bool = False,
    ) -> None:
        """`chosen` is another reading than as it stands; None takes it as it stands. With `withdraw` it
        is withdrawn: it was not said."""
        super().__init__(keys)
        self._manual, self._said, self._chosen = manual, said, chosen
        self._guesses, self._view_now = guesses, view_now
        self._withdraw = withdraw
        self._typed = Typed()

    @property
    def writes(self) -> bool:
        return not self._withdraw

    @property
    def to_read(self) -> str:
        counts = (
            self._stands() if self._withdraw else "".join(each for each, _ in self._counts_as())
        )
        return f"{self._said.fact} {counts} {self.error}"

    def press(self, key: str, character: str | None) -> None:
        if key == "enter":
            self.after_reading()
            self.store()
        elif not self._withdraw:
            self._doubt_read = ""
            self._typed.press(key, character)
        elif character:
            raise ValueError(f"Enter takes it out, {self.keymap.shown('close')} leaves it")

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        if not self._withdraw:
            self._doubt_read = ""
            self.act(lambda: self._typed.add(text))

    def store(self) -> None:
        """Store what is shown. Raises ValueError where typed words are no call, and with a warning."""
        if self._withdraw:
            self._manual.withdraw(self._said.fact)
            self.dismiss(f"taken out, it was not said: {heard(self._said.text)}")
            return
        found = self._found()
        if found is not None and found.meaning.kind == "unrecognised":
            raise ValueError("these words are no call of the protocol: nothing is stored")
        doubt = self._doubt(found)
        self.ask_again(doubt, f"{doubt}. ")
        if found is None:
            self._manual.accept(self._said.fact)
            self.dismiss(f"right as it was heard: {self._stands()}")
            return
        self._manual.amend(self._said.fact, found.words)
        self.dismiss(put_right(self._manual.protocol, self._view_now(), self._said.fact))

    def _found(self) -> Guess | None:
        """Return the reading that Enter would store; None for the utterance as it stands."""
        text = self._typed.text.strip()
        if not text:
            return self._chosen
        words = self._chosen.words if self._chosen else self._said.text
        meaning = self._chosen.meaning if self._chosen else self._said.meaning
        return self._guesses.retyped(words, meaning, text)

    def _doubt(self, found: Guess | None) -> str:
        """Return what is odd about a reading, as a clause; "" where nothing is."""
        protocol = self._manual.protocol
        before = self._chosen.meaning if self._chosen else self._said.meaning
        meaning = found.meaning if found else before
        if before.at_stake and (
            {each.call for each in before.readings}.isdisjoint(
                each.call for each in meaning.readings
            )
        ):
            return (
                f"that makes {meaning_in_words(protocol, meaning)} of"
                f" {meaning_in_words(protocol, before)}"
            )
        return odd(protocol, self._view_now(), self._said, found)

    def _stands(self) -> str:
        return utterance_in_words(self._manual.protocol, self._said)

    def lines(self) -> Iterable[Line]:
        protocol, said = self._manual.protocol, self._said
        hint = "Enter takes it out" if self._withdraw else "Enter stores it; or type another value"
        title = "IT WAS NOT SAID" if self._withdraw else "WHAT WAS SAID"
        yield self.heading(title, hint)
        speaker = station(protocol, said.sender)
        heard_as = f"{clock(said.t)} {f'{speaker}: ' if speaker else ''}“{heard(said.text)}”"
        yield Content.styled(heard_as, "$quiet")
        if self._withdraw:
            yield clickable(
                Content.assemble(("WILL BE TAKEN OUT  ", "$ink"), (self._stands(), "bold $ink")),
                "store",
            )
            return
        if self._typed.text:
            yield self._typed.picture()
        if self._chosen or self._typed.text:
            # A doubtful utterance counts for nothing yet: it stands as nothing.
            doubtful = f"heard as        {self._stands()}, which counts for nothing yet"
            stands = doubtful if said.unsure else f"it stands as    {self._stands()}"
            yield Content.styled(stands, "$quiet")
        yield clickable(Content.assemble(("WILL COUNT AS   ", "$ink"), *self._counts_as()), "store")

    def _counts_as(self) -> list[tuple[str, str]]:
        """Return what Enter would store in words, and what is odd about it."""
        try:
            found = self._found()
        except ValueError as error:
            return [("nothing: ", "bold $urgent"), (str(error), "$urgent")]
        protocol = self._manual.protocol
        if found is None:
            words = self._stands()
            to = self._said.to
        else:
            words = typed_in_words(protocol, found.meaning)
            to = None  # is in the words
        addressed = f" → {station(protocol, to)}" if to else ""
        doubt = self._doubt(found) if not found or found.meaning.kind != "unrecognised" else ""
        return [
            (f"{words}{addressed}", "bold $ink"),
            (f"   !! {doubt}" if doubt else "", "$urgent"),
        ]
