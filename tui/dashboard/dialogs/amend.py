"""An utterance put right: accepted, one of the guesses, other words, another speaker, or withdrawn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from textual.content import Content

from grammar.case.view import Utterance, View
from grammar.language.other_readings import Guess
from grammar.language.phrases import UNKNOWN
from tui.dashboard import call_entry as entry
from tui.dashboard.dialogs.dialog import Dialog, Line, choice, clickable, columns
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.speakers import speaker, speaker_reasons
from tui.text.wording import (
    CHOSEN,
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
    """One utterance at a time, the newest first, with what else it may have been."""

    def __init__(
        self,
        keys: KeyMap,
        hands: ManualEntry,
        said: Sequence[Utterance],
        at: int,
        guess: Callable[[Utterance], Sequence[Guess]],
        read: Callable[[str], Guess],
        view_now: Callable[[], View],
        stage: Stage = "guesses",
    ) -> None:
        """`said` are the utterances as they stood when it was opened, oldest first; `at` is one.

        `guess` gives what else one may have been, `read` what typed text means.
        """
        super().__init__(keys)
        self._hands = hands
        self._said = said
        self._at = at
        self._guess = guess
        self._read = read
        self._view_now = view_now
        self._stage: Stage = stage
        self._warned = False
        """Whether it was said that the text is no call, so that Enter again takes it."""
        self._typed = Typed()
        self._stations = [each.id for each in hands.protocol.station]
        self._letters = entry.letters([station(hands.protocol, each) for each in self._stations])

    @property
    def fact(self) -> int:
        """The fact of the utterance chosen."""
        return self._one.fact

    @property
    def _one(self) -> Utterance:
        return self._said[self._at]

    # ------------------------------------------------------------------ keys

    def press(self, key: str, character: str | None) -> None:
        if self._stage == "words":
            self._press_words(key, character)
        elif self._stage == "speaker":
            if character and character in self._letters:
                self.who(self._letters.index(character))
            elif character:
                raise ValueError(f'no letter "{clean(character)}" stands here')
        else:
            self._press_guess(key, character)

    def _press_guess(self, key: str, character: str | None) -> None:
        of = self.keymap.of
        if key in (of("older"), of("newer")):
            last = len(self._said) - 1
            self._at = min(max(self._at + (-1 if key == of("older") else 1), 0), last)
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
        elif character:
            raise ValueError(f'"{clean(character)}" does nothing here')

    def _press_words(self, key: str, character: str | None) -> None:
        if key != "enter":
            self._warned = False
            self._typed.press(key, character)
            return
        if not self._typed.text.strip():
            raise ValueError("write what was said, or leave and withdraw it")
        found = self._read(self._typed.text)
        if found.meaning.kind == "unrecognised" and not self._warned:
            self._warned = True
            raise ValueError("nothing is stored yet: Enter again if that is meant")
        self._amend(found.words)

    def _amend(self, words: str) -> None:
        self._hands.amend(self._one.fact, words)
        self.dismiss(put_right(self._hands.protocol, self._view_now(), self._one.fact))

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        if self._stage == "words":
            self._warned = False
            self.act(lambda: self._typed.add(text))

    # ------------------------------------------------------------------ what is done

    def take(self, at: int) -> None:
        """Takes a guess: the first is the utterance as it was heard."""
        found = self._guess(self._one)
        if at == 0:
            self.accept()
        elif 0 < at <= len(found):
            self._amend(found[at - 1].words)
        else:
            raise ValueError(f"choose 1 to {len(found) + 1}")

    def accept(self) -> None:
        """As it was heard."""
        self._hands.accept(self._one.fact)
        self.dismiss(f"accepted: {heard(self._one.text)}")

    def withdraw(self) -> None:
        """It was not said."""
        self._hands.withdraw(self._one.fact)
        self.dismiss(f"withdrawn: {heard(self._one.text)}")

    def who(self, at: int) -> None:
        """One station spoke it."""
        self._hands.spoke(self._one.fact, self._stations[at])
        self.dismiss(f"spoken by {station(self._hands.protocol, self._stations[at])}")

    def go(self, stage: Stage) -> None:
        """On to writing its words, or to choosing who spoke."""
        self._stage = stage
        known = [word for word in self._one.text.split() if word != UNKNOWN]
        self._typed = Typed(clean(" ".join(known)) if stage == "words" else "")

    # ------------------------------------------------------------------ picture

    def lines(self) -> Iterable[Line]:
        one, protocol = self._one, self._hands.protocol
        shown = self.keymap.shown
        which = f"{shown('older')}{shown('newer')} {self._at + 1} of {len(self._said)}"
        yield self.heading("PUT RIGHT", which if self._stage == "guesses" else "")
        who = speaker(protocol, one) or "speaker not known"
        line = Content.assemble(
            (f"{CHOSEN} ", "bold $heading"),
            (f"{clock(one.t)} ", "$quiet"),
            (f"{who}: ", "bold $ink"),
            (heard(one.text), "$ink"),
        )
        yield from line.wrap(self.room)
        if self._stage == "words":
            yield Content.styled(
                "what was said? type it, or ← → to change what stands; Enter", "$ink"
            )
            yield self._typed.picture()
            if self._typed.text.strip():
                means = typed_in_words(protocol, self._read(self._typed.text).meaning)
                yield Content.styled(f"= {means}", "$quiet")
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

    def _guesses(self) -> Iterable[Line]:
        protocol, shown = self._hands.protocol, self.keymap.shown
        one = self._one
        stands = "as it stands" if "amended" in one.flags else "as heard"
        yield choice("1", f"{stands}: {utterance_in_words(protocol, one)}", "take", 0)
        for at, guess in enumerate(self._guess(one), start=1):
            was = "as heard: " if guess.as_heard else ""
            text = f"{was}{heard(guess.words)}  = {meaning_in_words(protocol, guess.meaning)}"
            yield from choice(str(at + 1), text, "take", at).wrap(self.room)
        parts = (
            (shown("words"), "other words", ("go", "words")),
            (shown("who"), "speaker", ("go", "speaker")),
            (shown("accept"), "accept", ("accept",)),
            (shown("withdraw"), "withdraw", ("withdraw",)),
        )
        yield Content("   ").join(
            clickable(Content.assemble((f"{key} ", "bold $heading"), (words, "$ink")), *does)
            for key, words, does in parts
        )
