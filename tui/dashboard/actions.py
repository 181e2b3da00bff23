"""The dashboard's keys and clicks that do something to the case."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from grammar.case.view import Utterance
from grammar.errors import UserError
from grammar.language.other_readings import Guess
from grammar.protocol.model import Call
from listener.team.card_in_case import CardInCase
from tui.dashboard.action_base import ActionBase
from tui.dashboard.dialogs.amend import AmendDialog, Stage
from tui.dashboard.dialogs.card import CardDialog
from tui.dashboard.dialogs.confirm import ConfirmDialog
from tui.dashboard.dialogs.dialog import Dialog
from tui.dashboard.dialogs.enter import EnterDialog
from tui.dashboard.dialogs.heard import AnsweredDialog
from tui.dashboard.dialogs.help_call import HelpCallDialog
from tui.dashboard.dialogs.leave import END, WAIT, LeaveDialog, Unheard
from tui.dashboard.dialogs.note import NoteDialog
from tui.dashboard.dialogs.ticks import ChecklistDialog
from tui.dashboard.dialogs.timers import START, TimersDialog
from tui.dashboard.dialogs.weight import WeightDialog
from tui.dashboard.manual_entry import ManualEntry, RecordingLast
from tui.dashboard.palette import IN_WORDS, THEMES
from tui.dashboard.widgets.calls import CallsPanel
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.side import SideColumn
from tui.dashboard.widgets.unsure import UnsureStrip
from tui.text.speakers import said_before
from tui.text.urgent import still_open
from tui.text.wording import call_aloud, clean, clock, heard, station

PLAY_S = 10.0
"""How far back the sound is played again."""

RECENT = 200
"""Utterances that can be walked through while one is put right."""


class CaseActions(ActionBase):
    """The acts of a person, one for each key of the dashboard."""

    hear_out: Callable[[], None] | None = None
    """Takes no more sound of a case that is heard, and has it end once all is heard."""
    _card: CardInCase | None = None
    """The card that was begun last."""
    _passed: int | None = None
    """The setting of the recording that was told not to be taken back."""

    # ------------------------------------------------------------------ calls and notes

    def action_call(self) -> None:
        """The palette of all calls."""
        self.open(
            lambda hands: EnterDialog(
                self.keymap, hands, hands.protocol.call, view_now=self.view_now
            )
        )

    def action_vital(self) -> None:
        """The palette of vital signs."""

        def vitals(hands: ManualEntry) -> Dialog:
            calls = [call for call in hands.protocol.call if call.vital]
            if not calls:
                raise ValueError("the protocol has no vital signs")
            return EnterDialog(self.keymap, hands, calls, what="VITAL SIGN", view_now=self.view_now)

        self.open(vitals)

    def action_weight(self) -> None:
        """The patient's weight."""
        self.open(lambda hands: WeightDialog(self.keymap, hands, self.view_now))

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
        """A guess of the strip may be right: it is seen in words, and takes Enter or a typed value."""
        strip = self.query_one(UnsureStrip)
        said = strip.at(item)

        def opened(hands: ManualEntry) -> Dialog:
            if said is None or self.helping:
                raise ValueError("nothing unsure stands there")
            if not strip.stands(item):
                key = self.keymap.shown(f"unsure-{2 * item + which + 1}")
                raise ValueError(f"{key} has just come to mean another utterance: look again")
            if which == 0:
                return self._see(hands, said, None)
            guesses = self.guess(said)
            if guesses:
                return self._see(hands, said, guesses[0])
            return self._amending(hands, [said], 0, "words")

        self.open(opened)

    def _see(self, hands: ManualEntry, said: Utterance, chosen: Guess | None) -> Dialog:
        return ConfirmDialog(self.keymap, hands, said, chosen, self._guesses, self.view_now)

    def action_guess_rest(self) -> None:
        """Unsure utterances that the strip has no room for, one after the other."""

        def opened(hands: ManualEntry) -> Dialog:
            rest = self.query_one(UnsureStrip).hidden
            if not rest:
                raise ValueError("nothing more is unsure than the strip shows")
            return self._amending(hands, rest, 0, "guesses")

        self.open(opened)

    def action_help_called(self) -> None:
        """A possible call for help was one, or none: yes or no."""

        def opened(hands: ManualEntry) -> Dialog:
            if not self.view_now().possible_help:
                raise ValueError("nothing heard may be a call for help")
            return HelpCallDialog(self.keymap, hands, self._guesses, self.view_now)

        self.open(opened)

    def action_amend(self) -> None:
        """The newest utterance is put right."""
        self.put_right(None)

    def action_speaker(self) -> None:
        """Who spoke the newest utterance."""
        self.put_right(None, "speaker")

    def action_card(self) -> None:
        """Somebody joins: their card begins; while one is read, it is skipped on or ended."""

        def joining(hands: ManualEntry) -> Dialog:
            if hands.read_card is None:
                raise ValueError("nobody can read a card here: no microphone hears this case")
            reading = self._card if self._card and not self._card.over else None
            return CardDialog(self.keymap, hands, reading, self._card_begun)

        self.open(joining)

    def _card_begun(self, card: CardInCase) -> None:
        self._card = card

    def action_same_speaker(self) -> None:
        """Who spoke the utterance before, on the same channel, spoke the newest too."""

        def same(hands: ManualEntry) -> str:
            said = [line.utterance for line in self.view_now().log if line.utterance]
            if not said:
                raise ValueError("nothing was heard yet")
            self._newest_stands(self.query_one(RunningLog), "same-speaker")
            newest, who = said[-1], self.keymap.shown("speaker")
            before = said_before(said)
            if before is None:
                raise ValueError(f"nothing was heard before on that channel: {who} says who spoke")
            if before.sender is None:
                raise ValueError(
                    f"who spoke before, at {clock(before.t)}, is not known: {who} says who spoke"
                )
            name = station(hands.protocol, before.sender)
            if newest.sender == before.sender and newest.speaker.confidence >= 1:
                raise ValueError(f"{name} is named there already: nothing more is stored")
            hands.spoke(newest.fact, before.sender)
            return f"{name} spoke: {heard(newest.text)}"

        self.act(same)

    def action_say_again(self) -> None:
        """The most urgent open call is said aloud to the leader."""

        def said(hands: ManualEntry) -> str:
            if hands.say is None:
                raise ValueError(
                    hands.silent_because
                    or "nothing is said aloud here: that needs --speak, and a loudspeaker"
                )
            waiting = self.view_now().waiting
            if not waiting:
                raise ValueError("no call waits for an answer")
            words = call_aloud(hands.protocol, *waiting[0])
            self.run_worker(lambda: self._say(hands, words), thread=True, exclusive=True)
            return f"saying: {words}"

        self.act(said)

    def _say(self, hands: ManualEntry, words: str) -> None:
        if hands.say is None:
            return
        try:
            hands.say(words)
        except UserError as error:
            self.call_from_thread(self.tell, str(error))

    def put_right(self, fact: int | None, stage: Stage = "guesses") -> None:
        """Opens an utterance; where none is named the one that was looked for, else the newest."""

        def opened(hands: ManualEntry) -> Dialog:
            log = self.query_one(RunningLog)
            wanted = fact if fact is not None else log.found
            if wanted is None and stage == "speaker":
                self._newest_stands(log, "speaker")
            said: list[Utterance] = []
            for line in reversed(self.view_now().log):
                if line.utterance:
                    said.insert(0, line.utterance)
                if len(said) >= RECENT and (wanted is None or said[0].fact <= wanted):
                    break
            if not said:
                raise ValueError("nothing was heard yet")
            at = next((i for i, one in enumerate(said) if one.fact == wanted), len(said) - 1)
            below = self._by_hand_since(hands, said[at]) if wanted is None else ""
            return self._amending(hands, said, at, stage, below)

        self.open(opened)

    def _newest_stands(self, log: RunningLog, key: str) -> None:
        """Raises ValueError where the newest line has only just come."""
        if not log.stands:
            again = self.keymap.shown(key)
            raise ValueError(
                f"a new line has just come, nothing is stored: look, then {again} again"
            )

    def _by_hand_since(self, hands: ManualEntry, said: Utterance) -> str:
        """Return what stands below the newest utterance and was done by hand, in words; "" where nothing
        does: that is nothing that anybody said."""
        last = max(self.view_now().log, key=lambda line: (line.t, line.fact))
        return clean(hands.last_in_words(last.fact)) if last.fact != said.fact else ""

    def _amending(
        self,
        hands: ManualEntry,
        said: Sequence[Utterance],
        at: int,
        stage: Stage,
        below: str = "",
    ) -> Dialog:
        return AmendDialog(
            self.keymap, hands, said, at, self.choices, self._guesses, self.view_now, stage, below
        )

    def action_undo(self) -> None:
        """Takes back the last act."""

        def undone(hands: ManualEntry) -> str:
            shown = self.keymap.shown
            try:
                words = hands.undo(self._passed)
            except RecordingLast as last:
                self._passed = last.fact
                again = f"; {shown('undo')} again takes back: {last.before}" if last.before else ""
                return f"{last}: {shown('record')} sets it again{again}"
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
            return ChecklistDialog(self.keymap, hands, self.view_now, self.act)

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
            again = self.keymap.shown("record")
            if on:
                return f"recording again   ({again} pauses it)"
            return f"recording paused: silence from here on   ({again} takes it up again)"

        self.act(set_)

    def action_theme(self) -> None:
        """The next colours."""
        names = list(THEMES)
        self.colours = names[(names.index(self.colours) + 1) % len(names)]
        self.theme = THEMES[self.colours].name
        self.tell(IN_WORDS[self.colours])

    def action_help_quit(self) -> None:
        """Ctrl-C asks about the case in our own words, as the key that ends it does; where nothing would be
        asked it leaves nothing, and says which key does."""
        if self._hands is None or not self.listening:
            self.tell(f"Ctrl-C does nothing here: {self.keymap.shown('quit')} leaves this screen")
        else:
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
                elif result == WAIT and self.hear_out:
                    self.hear_out()
                    self.tell("no more sound is taken: the rest is heard, then the case ends")

            self.box.open(
                LeaveDialog(self.keymap, self._unheard, lambda: still_open(self.view_now())), left
            )

    def _unheard(self) -> tuple[bool, Unheard | None]:
        """Return whether no more sound comes, and what is not heard yet."""
        status, view = self._status_now(), self.view_now()
        at = view.heard_up_to
        unheard = None if at is None else Unheard(round(view.now - at), at, status.recording)
        return status.unheard_s is not None, unheard

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
