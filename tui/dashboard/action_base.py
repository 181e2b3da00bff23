"""How an act of a person is done and told: dialogs, their keys, the sentence afterwards, the way back."""

from __future__ import annotations

import time
from collections.abc import Callable

from textual import events
from textual.app import App
from textual.timer import Timer

from grammar.case.amendments import as_heard, heard_otherwise
from grammar.case.facts import Withdrawn
from grammar.case.view import Utterance, View
from grammar.errors import UserError
from grammar.language.other_readings import Guess, Guesses
from grammar.protocol.model import Protocol
from tui.dashboard.dialogs.box import DialogBox, Then
from tui.dashboard.dialogs.dialog import CAPITAL, Dialog
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import Acts, ManualEntry
from tui.dashboard.palette import dress
from tui.dashboard.settings import Settings, Theme
from tui.dashboard.status import Status
from tui.dashboard.typing_guard import BURST, HELD, NOT_TAKEN, TypingGuard
from tui.text.wording import clock

NOTICE_S = 6.0
"""How long a sentence about what was just done stays in sight."""

WAY_BACK_S = 5.0
"""How long, at the least, the key that takes back what was stored stays in sight."""

ONLY_SHOWS = "this screen only shows the case"


class ActionBase(App[None]):
    """A screen on which a person acts. Each act says in a sentence what it did, or why it could not."""

    only_commands = True
    """Whether a key, struck where no dialog is open, is always a command, and a digit one that opens a
    doubtful utterance: no text is written then."""

    def __init__(
        self,
        protocol: Protocol,
        *,
        view_now: Callable[[], View],
        status_now: Callable[[], Status],
        manual: ManualEntry | None,
        settings: Settings,
    ) -> None:
        """Without `manual` nothing is stored, and the keys say so."""
        super().__init__()
        self.keymap = KeyMap(settings.keys)
        # Before the stylesheet is read, which uses the theme's names.
        self.colours: Theme = settings.theme
        dress(self, self.colours)
        self.view_now = view_now
        self._status_now = status_now
        self._manual = manual
        self._guesses = Guesses(protocol)
        self._guessed: dict[tuple[int, str, float, tuple[str, ...]], tuple[Guess, ...]] = {}
        self._notice = ""
        self._typing = TypingGuard()
        self._refused = False
        """Whether the key that is being taken was told that it cannot be done."""
        self._notice_ends: Timer | None = None
        self._way_back: tuple[str, float] = ("", 0.0)
        """The words for the last thing stored and the key that takes it back, and until when they stay
        in sight beside what is told since; seconds of a clock that only goes on."""
        self.box = DialogBox(self.look, lambda: self.calls_drawn)

    async def on_event(self, event: events.Event) -> None:
        """Give a dialog its keys as they come, so that quick fingers are followed."""
        if isinstance(event, events.Key) and not self.screen_stack:
            return  # struck just after the one that ended the case
        if isinstance(event, events.Key) and self.box.dialog:
            follow = self.box.dialog.letters_may_follow
            self.box.struck(event.key, event.character, event.time)
            if not self.box.dialog:
                self._typing.closed(event, letters_may_follow=follow)
        elif isinstance(event, events.Key) and self._typing.goes_on(event):
            self.tell(NOT_TAKEN)
        elif isinstance(event, events.Key) and self.only_commands and self._typing.holds(event):
            self.tell(f"{event.character} {HELD}")
        elif isinstance(event, events.Key) and self._is_capital(event):
            self.tell(f"{event.character} {CAPITAL}")
        elif isinstance(event, events.Key) and self._bursts(event):
            self.tell(f"{event.character} {BURST}")
        elif isinstance(event, events.Paste) and self.box.dialog:
            self.box.paste(event.text)
        elif isinstance(event, events.Key):
            self._refused = False
            await super().on_event(event)
            self._typing.ran(event, refused=self._refused, asks=self.box.dialog is not None)
        else:
            await super().on_event(event)

    def _is_capital(self, event: events.Key) -> bool:
        """Return whether a key is a capital letter where no text is written."""
        return self.only_commands and self.keymap.is_stray_capital(event.key, event.character)

    def _bursts(self, event: events.Key) -> bool:
        """Return whether a key is a letter of typed text. The one that takes back what was just stored is
        told beside it, and so may be struck at once.
        """
        undoes = event.key == self.keymap.of("undo") and time.monotonic() < self._way_back[1]
        return self.only_commands and not undoes and self._typing.bursts(event)

    def look(self) -> None:
        """Draw the case as it stands now."""
        raise NotImplementedError

    @property
    def calls_drawn(self) -> int:
        """How many waiting calls were drawn last, two at the least."""
        raise NotImplementedError

    @property
    def helping(self) -> bool:
        """Return whether the help covers what stands beneath."""
        raise NotImplementedError

    def guess(self, said: Utterance) -> tuple[Guess, ...]:
        """Return other readings of an utterance. They are worked out once for each."""
        # Another ear's words come with another confidence or a doubt: facts are gone through only then.
        key = (said.fact, said.text, said.confidence, said.flags)
        if key not in self._guessed:
            heard_else = heard_otherwise(self._manual.facts(), said.fact) if self._manual else ""
            self._guessed[key] = tuple(self._guesses.of(said.text, said.meaning, heard_else))
        return self._guessed[key]

    def choices(self, said: Utterance) -> tuple[Guess, ...]:
        """Return other readings of an utterance, with what was really heard where a person has put it right
        since.
        """
        if "entered" in said.flags:
            return ()
        others = self.guess(said)
        if self._manual is None or "amended" not in said.flags:
            return others
        was = as_heard(self._manual.facts(), said.fact)
        if was == said.text:
            return others
        return (self._guesses.as_heard(was), *(each for each in others if each.words != was))

    def tell(self, sentence: str | None) -> None:
        """Say what was just done, for a while, and draw the case anew; None: nothing was done."""
        if sentence is None:
            return
        back, until = self._way_back
        # Once is enough: where the sentence itself tells what was done last, or how it is taken back.
        told = f"{self.keymap.shown('undo')} takes" in sentence
        if back and not told and time.monotonic() < until:
            sentence = f"{sentence}   {back}"
        self._notice = sentence
        if self._notice_ends is not None:
            self._notice_ends.stop()
        self._notice_ends = self.set_timer(NOTICE_S, self._forget)
        self.look()

    def _forget(self) -> None:
        self._notice = ""

    @property
    def listening(self) -> bool:
        """Return whether the case is still being heard."""
        status = self._status_now()
        return not status.ended and status.failure is None

    @property
    def recorded(self) -> bool:
        """Return whether the case's sound is kept at all."""
        return self._status_now().recording

    def act(self, what: Callable[[ManualEntry], str | None]) -> None:
        """Do something, where this dashboard may, and tell what came of it."""
        if self._manual is None:
            self.tell(ONLY_SHOWS)
            return
        stored = len(self._manual.facts())
        try:
            self.tell(self._with_way_back(what(self._manual), stored))
        except (UserError, ValueError) as error:
            self._refused = True
            self.tell(str(error))

    def _with_way_back(self, sentence: str | None, stored: int) -> str | None:
        """Return the sentence with the key that takes back what was stored since there were `stored`
        facts; as it is where nothing a person did was."""
        if sentence is None or self._manual is None:
            return sentence
        facts = self._manual.facts()
        acts = {fact.seq for fact in facts[:stored] if isinstance(fact, Acts)}
        done = [fact for fact in facts[stored:] if isinstance(fact, Acts)]
        if not done:
            return sentence
        # Who takes back an act of their own is not asked to take that back.
        if all(isinstance(fact, Withdrawn) and fact.target in acts for fact in done):
            self._way_back = "", 0.0
            return sentence
        at_end = facts[-1].t == self._manual.clock() and self._manual.ended
        end = f", at the end of the case, {clock(facts[-1].t)}" if at_end else ""
        undo = self.keymap.shown("undo")
        self._way_back = f"({undo} takes back: {sentence})", time.monotonic() + WAY_BACK_S
        return f"{sentence}{end}   ({undo} takes it back)"

    def open(self, make: Callable[[ManualEntry], Dialog], then: Then | None = None) -> None:
        """Open a dialog; what it did is told when it is gone, or given to `then`."""
        if self.box.dialog:
            return

        def opened(manual: ManualEntry) -> None:
            stored = len(manual.facts())
            told = then or self.tell
            self.box.open(make(manual), lambda result: told(self._with_way_back(result, stored)))

        self.act(opened)
