"""A doubtful utterance with a drug, a number or a unit: its value is seen and takes Enter, or is typed."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.view import Utterance, View
from grammar.language.other_readings import Guess
from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.dialogs.typed import Typed
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


class ConfirmDialog(Dialog):
    """Stores nothing before Enter. Typing replaces the value by the words or figures typed."""

    def __init__(
        self,
        keys: KeyMap,
        hands: ManualEntry,
        said: Utterance,
        chosen: Guess | None,
        read: Callable[[str], Guess],
        view_now: Callable[[], View],
    ) -> None:
        """`chosen` is another reading than as heard; None takes it as heard."""
        super().__init__(keys)
        self._hands, self._said, self._chosen = hands, said, chosen
        self._read, self._view_now = read, view_now
        self._typed = Typed()

    def press(self, key: str, character: str | None) -> None:
        if key == "enter":
            self.store()
        else:
            self._typed.press(key, character)

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        self.act(lambda: self._typed.add(text))

    def store(self) -> None:
        """Store the value that is shown. Raises ValueError where typed words are no call."""
        text = self._typed.text.strip()
        found = self._read(text) if text else self._chosen
        if found is None:
            self._hands.accept(self._said.fact)
            self.dismiss(f"accepted: {heard(self._said.text)}")
            return
        if found.meaning.kind == "unrecognised":
            raise ValueError("these words are no call of the protocol: nothing is stored")
        self._hands.amend(self._said.fact, found.words)
        self.dismiss(put_right(self._hands.protocol, self._view_now(), self._said.fact))

    def lines(self) -> Iterable[Line]:
        protocol, said = self._hands.protocol, self._said
        speaker = station(protocol, said.sender)
        yield self.heading("HEARD WITH DOUBT", "Enter stores the value shown; type to replace it")
        heard_as = f"{clock(said.t)} {f'{speaker}: ' if speaker else ''}“{heard(said.text)}”"
        yield Content.styled(heard_as, "$quiet")
        if self._typed.text:
            meaning = typed_in_words(protocol, self._read(self._typed.text).meaning)
            yield Content.assemble(self._typed.picture(), ("   ", ""), (meaning, "bold $ink"))
            return
        words = (
            meaning_in_words(protocol, self._chosen.meaning)
            if self._chosen
            else utterance_in_words(protocol, said)
        )
        yield clickable(
            Content.assemble(("WILL COUNT AS  ", "$ink"), (words, "bold $ink")), "store"
        )
