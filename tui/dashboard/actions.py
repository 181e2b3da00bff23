"""The dashboard's keys and clicks that do something to the case."""

from __future__ import annotations

from collections.abc import Callable

from textual import events
from textual.app import App
from textual.timer import Timer

from grammar.case.amendments import as_heard, heard_otherwise
from grammar.case.facts import Withdrawn
from grammar.case.view import Utterance, View
from grammar.errors import UserError
from grammar.language.other_readings import Guess, Guesses
from grammar.protocol.model import Call, Protocol
from tui.dashboard.dialogs.amend import AmendDialog, Stage
from tui.dashboard.dialogs.box import DialogBox, Then
from tui.dashboard.dialogs.confirm import ConfirmDialog
from tui.dashboard.dialogs.dialog import Dialog
from tui.dashboard.dialogs.enter import EnterDialog
from tui.dashboard.dialogs.heard import AnsweredDialog
from tui.dashboard.dialogs.leave import END, LeaveDialog
from tui.dashboard.dialogs.note import NoteDialog
from tui.dashboard.dialogs.ticks import ChecklistDialog
from tui.dashboard.dialogs.timers import START, TimersDialog
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import Acts, ManualEntry
from tui.dashboard.palette import IN_WORDS, THEMES, dress
from tui.dashboard.settings import Settings, Theme
from tui.dashboard.status import Status
from tui.dashboard.typing_guard import NOT_TAKEN, TypingGuard
from tui.dashboard.widgets.calls import CallsPanel
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.side import SideColumn
from tui.dashboard.widgets.unsure import UnsureStrip
from tui.text.wording import heard, put_right

NOTICE_S = 6.0
"""How long a sentence about what was just done stays in sight."""

PLAY_S = 10.0
"""How far back the sound is played again."""

RECENT = 200
"""Utterances that can be walked through while one is put right."""

ONLY_SHOWS = "this screen only shows the case"


class CaseActions(App[None]):
    """The acts of a person. Each act says in a sentence what it did, or why it could not."""

    def __init__(
        self,
        protocol: Protocol,
        view_now: Callable[[], View],
        status_now: Callable[[], Status],
        hands: ManualEntry | None,
        settings: Settings,
    ) -> None:
        """Without `hands` nothing is stored, and the keys say so."""
        super().__init__()
        self.keymap = KeyMap(settings.keys)
        # Before the stylesheet is read, which uses the theme's names.
        self.colours: Theme = settings.theme
        dress(self, self.colours)
        self.view_now = view_now
        self._status_now = status_now
        self._hands = hands
        self._guesses = Guesses(protocol)
        self._guessed: dict[tuple[int, str, str], tuple[Guess, ...]] = {}
        self._notice = ""
        self._typing = TypingGuard()
        self._notice_ends: Timer | None = None
        self.box = DialogBox()

    async def on_event(self, event: events.Event) -> None:
        """Gives a dialog its keys as they come, so that quick fingers are followed."""
        if isinstance(event, events.Key) and not self.screen_stack:
            return  # struck just after the one that ended the case
        if isinstance(event, events.Key) and self.box.dialog:
            self.box.struck(event.key, event.character)
            if not self.box.dialog:
                self._typing.closed(event)
        elif isinstance(event, events.Key) and self._typing.goes_on(event):
            told = self._notice.partition(f"   {NOT_TAKEN}")[0]
            self.tell(f"{told}   {NOT_TAKEN}")
        elif isinstance(event, events.Paste) and self.box.dialog:
            self.box.paste(event.text)
        else:
            await super().on_event(event)

    def look(self) -> None:
        """Draws the case as it stands now."""
        raise NotImplementedError

    @property
    def helping(self) -> bool:
        """Whether the help covers what stands beneath."""
        raise NotImplementedError

    def guess(self, said: Utterance) -> tuple[Guess, ...]:
        """Other readings of an utterance. Worked out once for each."""
        heard_else = heard_otherwise(self._hands.facts(), said.fact) if self._hands else ""
        key = (said.fact, said.text, heard_else)
        if key not in self._guessed:
            self._guessed[key] = tuple(self._guesses.of(said.text, said.meaning, heard_else))
        return self._guessed[key]

    def choices(self, said: Utterance) -> tuple[Guess, ...]:
        """Likewise, with what was really heard where a person has put it right since."""
        others = self.guess(said)
        if self._hands is None or "amended" not in said.flags:
            return others
        was = as_heard(self._hands.facts(), said.fact)
        if was == said.text:
            return others
        return (self._guesses.as_heard(was), *(each for each in others if each.words != was))

    def tell(self, sentence: str | None) -> None:
        """Says what was just done, for a while, and draws what came of it; None: nothing was."""
        if sentence is None:
            return
        self._notice = sentence
        if self._notice_ends is not None:
            self._notice_ends.stop()
        self._notice_ends = self.set_timer(NOTICE_S, self._forget)
        self.look()

    def _forget(self) -> None:
        self._notice = ""

    @property
    def listening(self) -> bool:
        """Whether the case is still being heard."""
        status = self._status_now()
        return not status.ended and status.failure is None

    @property
    def recorded(self) -> bool:
        """Whether the case's sound is kept at all."""
        return self._status_now().recording

    def act(self, what: Callable[[ManualEntry], str | None]) -> None:
        """Does something, where this dashboard may, and tells what came of it."""
        if self._hands is None:
            self.tell(ONLY_SHOWS)
            return
        stored = len(self._hands.facts())
        try:
            self.tell(self._with_way_back(what(self._hands), stored))
        except (UserError, ValueError) as error:
            self.tell(str(error))

    def _with_way_back(self, sentence: str | None, stored: int) -> str | None:
        """Return the sentence with the key that takes back what was stored since there were `stored`
        facts; as it is where nothing a person did was."""
        if sentence is None or self._hands is None:
            return sentence
        new = self._hands.facts()[stored:]
        if not any(isinstance(fact, Acts) and not isinstance(fact, Withdrawn) for fact in new):
            return sentence
        return f"{sentence}   ({self.keymap.shown('undo')} takes it back)"

    def open(self, make: Callable[[ManualEntry], Dialog], then: Then | None = None) -> None:
        """Opens a dialog; what it did is told when it is gone, or given to `then`."""
        if self.box.dialog:
            return

        def opened(hands: ManualEntry) -> None:
            stored = len(hands.facts())
            told = then or (lambda result: self.tell(self._with_way_back(result, stored)))
            self.box.open(make(hands), told)

        self.act(opened)

    # ------------------------------------------------------------------ calls and notes

    def action_call(self) -> None:
        """The palette of all calls."""
        self.open(lambda hands: EnterDialog(self.keymap, hands, hands.protocol.call))

    def action_vital(self) -> None:
        """The palette of vital signs."""

        def vitals(hands: ManualEntry) -> Dialog:
            calls = [call for call in hands.protocol.call if call.vital]
            if not calls:
                raise ValueError("the protocol has no vital signs")
            return EnterDialog(self.keymap, hands, calls, what="VITAL SIGN")

        self.open(vitals)

    def action_note(self) -> None:
        """A free note."""
        self.open(lambda hands: NoteDialog(self.keymap, hands))

    def action_mark(self) -> None:
        """A mark for the debrief, at once."""

        def marked(hands: ManualEntry) -> str:
            hands.mark()
            return "this moment is marked"

        self.act(marked)

    def action_heard(self) -> None:
        """An open call was answered."""

        def waiting(hands: ManualEntry) -> Dialog:
            if not self.view_now().waiting:
                raise ValueError("no call waits for an answer")
            return AnsweredDialog(self.keymap, hands, self.view_now)

        self.open(waiting)

    # ------------------------------------------------------------------ what was heard

    def action_guess(self, item: int, which: int) -> None:
        """A guess of the strip is right."""
        said = self.query_one(UnsureStrip).at(item)
        if said is not None and said.meaning.at_stake and not self.helping:
            self._confirm(said, which)
            return

        def chosen(hands: ManualEntry) -> str:
            if said is None or self.helping:
                raise ValueError("nothing unsure stands there")
            if which == 0:
                hands.accept(said.fact)
                return f"accepted: {heard(said.text)}"
            found = self.guess(said)
            if not found:
                raise ValueError(f"no second guess: {self.keymap.shown('amend')} for other words")
            hands.amend(said.fact, found[0].words)
            return put_right(hands.protocol, self.view_now(), said.fact)

        self.act(chosen)

    def _confirm(self, said: Utterance, which: int) -> None:
        """Show the drug, number or unit that a guess would count as: it takes Enter, or is typed."""

        def opened(hands: ManualEntry) -> Dialog:
            guesses = self.guess(said)
            if which and not guesses:
                raise ValueError(f"no second guess: {self.keymap.shown('amend')} for other words")
            chosen = guesses[0] if which else None
            return ConfirmDialog(
                self.keymap, hands, said, chosen, self._guesses.typed, self.view_now
            )

        self.open(opened)

    def action_amend(self) -> None:
        """The newest utterance is put right."""
        self.put_right(None)

    def action_speaker(self) -> None:
        """Who spoke the newest utterance."""
        self.put_right(None, "speaker")

    def put_right(self, fact: int | None, stage: Stage = "guesses") -> None:
        """Opens an utterance, the newest where none is named."""

        def opened(hands: ManualEntry) -> Dialog:
            said: list[Utterance] = []
            for line in reversed(self.view_now().log):
                if line.utterance and "entered" not in line.utterance.flags:
                    said.insert(0, line.utterance)
                if len(said) >= RECENT and (fact is None or said[0].fact <= fact):
                    break
            if not said:
                raise ValueError("nothing was heard yet")
            at = next((i for i, one in enumerate(said) if one.fact == fact), len(said) - 1)
            read, view_now = self._guesses.typed, self.view_now
            return AmendDialog(self.keymap, hands, said, at, self.choices, read, view_now, stage)

        self.open(opened)

    def action_undo(self) -> None:
        """Takes back the last act."""

        def undone(hands: ManualEntry) -> str:
            words = hands.undo()
            return f"taken back: {words}" if words else "nothing is left to take back"

        self.act(undone)

    # ------------------------------------------------------------------ timers and checklists

    def action_timers(self) -> None:
        """The timers."""

        def left(result: str | None) -> None:
            if result == START:
                self.start_timer()
            else:
                self.tell(result)

        self.open(lambda hands: TimersDialog(self.keymap, hands, self.view_now), left)

    def start_timer(self) -> None:
        """Asks for the length of a timer of the recorder's own."""

        def length(hands: ManualEntry) -> Dialog:
            starts: Call | None = next(
                (call for call in hands.protocol.call if call.effect == "start-timer"), None
            )
            if starts is None:
                raise ValueError("the protocol has no call that starts a timer")
            return EnterDialog(
                self.keymap, hands, [starts], what="START", only=starts, own_timer=True
            )

        self.open(length)

    def action_tick(self) -> None:
        """The checklists."""

        def ticks(hands: ManualEntry) -> Dialog:
            if not self.view_now().checklists:
                raise ValueError("the protocol has no checklist")
            return ChecklistDialog(self.keymap, hands, self.view_now)

        self.open(ticks)

    # ------------------------------------------------------------------ sound, colours, end

    def action_play(self) -> None:
        """The last ten seconds again."""

        def played(hands: ManualEntry) -> str:
            if hands.play is None:
                raise ValueError("no sound is kept of this case")
            now = hands.clock()
            start = max(now - PLAY_S, 0.0)
            self.run_worker(lambda: self._play(hands, start, now), thread=True, exclusive=True)
            return "playing the last ten seconds"

        self.act(played)

    def _play(self, hands: ManualEntry, start: float, end: float) -> None:
        if hands.play is None:
            return
        try:
            hands.play(start, end)
        except UserError as error:
            self.call_from_thread(self.tell, str(error))

    def action_record(self) -> None:
        """Pauses the recording, or takes it up again."""

        def set_(hands: ManualEntry) -> str:
            if not self.recorded:
                raise ValueError("this case is not recorded: that is chosen at its start")
            on = not self.view_now().recording
            hands.record(on=on)
            return "recording again" if on else "recording paused: silence from here on"

        self.act(set_)

    def action_theme(self) -> None:
        """The next colours."""
        names = list(THEMES)
        self.colours = names[(names.index(self.colours) + 1) % len(names)]
        self.theme = THEMES[self.colours].name
        self.tell(IN_WORDS[self.colours])

    def action_help_quit(self) -> None:
        """Ctrl-C asks about the case in our own words, as the key that ends it does."""
        self.action_leave()

    async def action_quit(self) -> None:
        """Textual's own key to quit asks as ours does."""
        self.action_leave()

    def action_leave(self) -> None:
        """Ends the case; asks first while it is being heard."""
        if self._hands is None or not self.listening:
            self.exit()
        elif not self.box.dialog:

            def left(result: str | None) -> None:
                if result == END:
                    self.exit()

            self.box.open(LeaveDialog(self.keymap, "END THE CASE? It is still being heard."), left)

    # ------------------------------------------------------------------ mouse

    def on_calls_panel_clicked(self, message: CallsPanel.Clicked) -> None:
        """That call was heard: asks, with the call chosen."""

        def waiting(hands: ManualEntry) -> Dialog:
            return AnsweredDialog(self.keymap, hands, self.view_now, message.loop)

        self.open(waiting)

    def on_running_log_clicked(self, message: RunningLog.Clicked) -> None:
        """That utterance is put right."""
        if self._hands is not None:
            self.put_right(message.fact)

    def on_unsure_strip_chosen(self, message: UnsureStrip.Chosen) -> None:
        """That guess is right."""
        self.action_guess(message.item, message.guess)

    def on_side_column_clicked(self, message: SideColumn.Clicked) -> None:
        """Opens what stands in the panel."""
        opens = {
            "checklists": self.action_tick,
            "timers": self.action_timers,
            "vitals": self.action_vital,
        }
        if self._hands is not None and message.panel in opens:
            opens[message.panel]()
