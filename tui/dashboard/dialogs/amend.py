"""An utterance put right: right as heard, one of the guesses, other words, another speaker, or not said."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from textual.content import Content

from grammar.case.view import Utterance, View
from grammar.language.other_readings import Guess, Guesses
from grammar.language.phrases import UNKNOWN
from tui.dashboard import call_entry as entry
from tui.dashboard.dialogs.confirm import ConfirmDialog, odd
from tui.dashboard.dialogs.dialog import Dialog, Line, choice, clickable, columns
from tui.dashboard.dialogs.help_call import (
    help_choices,
    help_words,
    may_be_for_help,
    settle_help,
)
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.speakers import speaker, speaker_reasons
from tui.text.wording import (
    CHOSEN,
    POSSIBLE_HELP_WORDS,
    clean,
    clock,
    heard,
    meaning_in_words,
    put_right,
    station,
    typed_in_words,
    utterance_in_words,
)

Stage = Literal["guesses", "words", "speaker"]


class AmendDialog(Dialog):
    """Puts utterances right, one at a time, the newest first, with what else each may have been."""

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        *,
        said: Sequence[Utterance],
        at: int,
        guess: Callable[[Utterance], Sequence[Guess]],
        guesses: Guesses,
        view_now: Callable[[], View],
        stage: Stage = "guesses",
        below: str = "",
    ) -> None:
        """`said` are the utterances as they stood when it was opened, oldest first; `at` is one.

        `guess` gives what else one may have been, `guesses` what typed text means. `below` is what was done
        by hand since and stands last in the log: that was not said, and another key takes it back.
        """
        super().__init__(keys)
        self._manual = manual
        self._said = said
        self._at = at
        self._guess = guess
        self._guesses_of = guesses
        self._view_now = view_now
        self._stage: Stage = stage
        self._below = below
        self._step: ConfirmDialog | None = None
        """The reading that was chosen, seen in words before Enter stores it."""
        self._typed = Typed()
        self._stations = [each.id for each in manual.protocol.station]
        self._letters = entry.letters([station(manual.protocol, each) for each in self._stations])

    @property
    def fact(self) -> int:
        """The fact of the utterance chosen."""
        return self._one.fact

    @property
    def _one(self) -> Utterance:
        return self._said[self._at]

    # ------------------------------------------------------------------ keys

    @property
    def to_read(self) -> str:
        if self._step is not None:
            return self._step.to_read
        if self._stage != "words" or not self._typed.text.strip():
            return ""
        return f"{self._one.fact} {self._means()} {self.error}" if self._at_stake() else ""

    def _at_stake(self) -> bool:
        """Return whether the words that are being typed hold a drug, a number or a unit."""
        try:
            return self._read().meaning.at_stake
        except ValueError:
            return False

    def drawn(self, words: str, at: float) -> None:
        """Take note that a frame was drawn; the words that have to be read may be the step's."""
        (self._step.drawn if self._step is not None else super().drawn)(words, at)

    def struck(self, key: str, character: str | None, at: float | None = None) -> None:
        """Take a key; while a choice is seen in words it is that step's."""
        if self._step is None:
            super().struck(key, character, at)
            return
        self._step.struck(key, character, at)
        self._after_step()

    def clicked(self, does: str, *what: int | str) -> None:
        """Likewise what was clicked."""
        if self._step is None:
            super().clicked(does, *what)
            return
        self._step.clicked(does, *what)
        self._after_step()

    def _after_step(self) -> None:
        if self._step is not None and self._step.left:
            self.dismiss(self._step.result)

    @property
    def writes(self) -> bool:
        return self._stage == "words"

    def press(self, key: str, character: str | None) -> None:
        if self._stage == "words":
            self._press_words(key, character)
        elif self._stage == "speaker":
            if character and character in self._letters:
                self.who(self._letters.index(character))
            else:
                self.no_such_letter(character)
        else:
            self._press_guess(key, character)

    def _press_guess(self, key: str, character: str | None) -> None:
        of = self.keymap.of
        if key in (of("older"), of("newer")):
            last = len(self._said) - 1
            self._at = min(max(self._at + (-1 if key == of("older") else 1), 0), last)
        elif may_be_for_help(self._one) and key in (of("help-yes"), of("help-no")):
            self.help_called(int(key == of("help-yes")))
        elif key == of("words"):
            self.go("words")
        elif key == of("accept"):
            self.accept()
        elif key == of("withdraw"):
            self.withdraw()
        elif key == of("who"):
            self.go("speaker")
        elif character and character.isdigit():
            self.take(int(character) - 1)
        elif character and character.isprintable():
            raise ValueError(f'"{clean(character)}" does nothing here')

    def _press_words(self, key: str, character: str | None) -> None:
        if key != "enter":
            self._doubt_read = ""
            self._typed.press(key, character)
            return
        self.after_reading()
        if not self._typed.text.strip():
            raise ValueError("write what was said; or leave this and take it out")
        found = self._read()
        doubt = odd(self._manual.protocol, self._view_now(), self._one, found)
        if found.meaning.kind == "unrecognised":
            doubt = "that is no call"
        self.ask_again(doubt, f"{doubt}. ")
        self._manual.amend(self._one.fact, found.words)
        self.dismiss(put_right(self._manual.protocol, self._view_now(), self._one.fact))

    def _read(self) -> Guess:
        one = self._one
        return self._guesses_of.retyped(one.text, one.meaning, self._typed.text)

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        if self._step is not None:
            self._step.paste(text)
        elif self._stage == "words":
            self._doubt_read = ""
            self.act(lambda: self._typed.add(text))

    # ------------------------------------------------------------------ what is done

    def take(self, at: int) -> None:
        """Take a guess, to be seen in words: the first is the utterance as it stands."""
        found = self._guess(self._one)
        if at == 0:
            self.accept()
        elif 0 < at <= len(found):
            self._see(found[at - 1])
        else:
            raise ValueError(f"choose 1 to {len(found) + 1}")

    def accept(self) -> None:
        """As it was heard. A drug or a number is seen in words first."""
        self._asks_about_help()
        if self._by_hand:
            raise ValueError("it was entered by hand: there is nothing to accept")
        if self._one.meaning.at_stake:
            self._see(None)
            return
        self._manual.accept(self._one.fact)
        self.dismiss(f"right as it was heard: {heard(self._one.text)}")

    def withdraw(self) -> None:
        """It was not said: that is seen in words first."""
        self._asks_about_help()
        self._see(None, withdraw=True)

    def help_called(self, yes: int) -> None:
        """Store whether a possible call for help was one."""
        told = settle_help(
            self._manual, self._guesses_of, self._view_now, said=self._one, yes=bool(yes)
        )
        self.dismiss(told)

    def _asks_about_help(self) -> None:
        """Raise ValueError for a possible call for help: only yes or no settles that."""
        if may_be_for_help(self._one):
            shown = self.keymap.shown
            raise ValueError(f"was help called? {shown('help-yes')} yes, {shown('help-no')} no")

    def _see(self, chosen: Guess | None, *, withdraw: bool = False) -> None:
        self._step = ConfirmDialog(
            self.keymap,
            self._manual,
            said=self._one,
            chosen=chosen,
            guesses=self._guesses_of,
            view_now=self._view_now,
            withdraw=withdraw,
        )

    @property
    def _by_hand(self) -> bool:
        return "entered" in self._one.flags

    def who(self, at: int) -> None:
        """One station spoke it."""
        self._manual.spoke(self._one.fact, self._stations[at])
        self.dismiss(f"spoken by {station(self._manual.protocol, self._stations[at])}")

    def go(self, stage: Stage) -> None:
        """On to writing its words, or to choosing who spoke."""
        if self._by_hand:
            raise ValueError(
                f"it was entered by hand: {self.keymap.shown('withdraw')} takes it back"
            )
        self._stage = stage
        known = [word for word in self._one.text.split() if word != UNKNOWN]
        self._typed = Typed(clean(" ".join(known)) if stage == "words" else "")

    # ------------------------------------------------------------------ picture

    def lines(self) -> Iterable[Line]:
        if self._step is not None:
            # In the room, and with the error, of the whole dialog.
            self._step.room, self.error = self.room, self._step.error
            yield from self._step.lines()
            return
        one, protocol = self._one, self._manual.protocol
        shown = self.keymap.shown
        which = f"{shown('older')}{shown('newer')} {self._at + 1} of {len(self._said)}"
        yield self.heading("PUT RIGHT", which if self._stage == "guesses" else "")
        who = speaker(protocol, one) or ("by hand" if self._by_hand else "speaker not known")
        line = Content.assemble(
            (f"{CHOSEN} ", "bold $heading"),
            (f"{clock(one.t)} ", "$quiet"),
            (f"{who}: ", "bold $ink"),
            (utterance_in_words(protocol, one) if self._by_hand else heard(one.text), "$ink"),
        )
        yield from line.wrap(self.room)
        if self._below and self._stage == "guesses" and self._at == len(self._said) - 1:
            last = f"below it: {self._below}, by hand: {shown('undo')} takes that back, not this"
            yield Content.styled(last, "$quiet")
        if self._stage == "words":
            yield Content.styled(
                "what was said? type it, or ← → to change what stands; Enter", "$ink"
            )
            yield self._typed.picture()
            if self._typed.text.strip():
                yield Content.styled(f"= {self._means()}", "$quiet")
        elif self._stage == "speaker":
            because = speaker_reasons(one)
            yield Content.styled(f"who spoke? ({because})" if because else "who spoke?", "$ink")
            items = [
                choice(letter, station(protocol, each), "who", at)
                for at, (letter, each) in enumerate(zip(self._letters, self._stations, strict=True))
            ]
            yield from columns(items, self.room)
        else:
            yield from self._guesses()

    def _means(self) -> str:
        try:
            return typed_in_words(self._manual.protocol, self._read().meaning)
        except ValueError as error:
            return str(error)

    def _guesses(self) -> Iterable[Line]:
        protocol, shown = self._manual.protocol, self.keymap.shown
        one = self._one
        if may_be_for_help(one):
            yield Content.styled(f"{POSSIBLE_HELP_WORDS}: “{help_words(one)}”", "bold $urgent")
            yield from help_choices(self.keymap)
            return
        if self._by_hand:
            line = Content.assemble(
                (f"{shown('withdraw')} ", "bold $heading"), ("take it back", "$ink")
            )
            yield clickable(line, "withdraw")
            return
        stands = "as it stands" if "amended" in one.flags else "as heard"
        yield choice("1", f"{stands}: {utterance_in_words(protocol, one)}", "take", 0)
        for at, guess in enumerate(self._guess(one), start=1):
            was = "as heard: " if guess.as_heard else ""
            text = f"{was}{heard(guess.words)}  = {meaning_in_words(protocol, guess.meaning)}"
            yield from choice(str(at + 1), text, "take", at).wrap(self.room)
        parts = (
            (shown("words"), "other words", ("go", "words")),
            (shown("who"), "speaker", ("go", "speaker")),
            (shown("accept"), f"right {stands}", ("accept",)),
            (shown("withdraw"), "it was not said", ("withdraw",)),
        )
        yield Content("   ").join(
            clickable(Content.assemble((f"{key} ", "bold $heading"), (words, "$ink")), *does)
            for key, words, does in parts
        )
