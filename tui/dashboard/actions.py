"""The dashboard's keys and clicks that do something to the case. Those on one utterance are in
`utterance_actions.py`.
"""

from __future__ import annotations

from collections.abc import Callable

from grammar.errors import UserError
from grammar.protocol.model import Call
from listener.team.card_in_case import CardInCase
from tui.dashboard.dialogs.card import CardDialog
from tui.dashboard.dialogs.dialog import Dialog
from tui.dashboard.dialogs.enter import EnterDialog
from tui.dashboard.dialogs.heard import AnsweredDialog
from tui.dashboard.dialogs.leave import END, WAIT, LeaveDialog, Unheard
from tui.dashboard.dialogs.note import NoteDialog
from tui.dashboard.dialogs.ticks import ChecklistDialog
from tui.dashboard.dialogs.timers import START, TimersDialog
from tui.dashboard.dialogs.weight import WeightDialog
from tui.dashboard.manual_entry import ManualEntry, RecordingLast
from tui.dashboard.palette import IN_WORDS, THEMES
from tui.dashboard.utterance_actions import UtteranceActions
from tui.dashboard.widgets.calls import CallsPanel
from tui.dashboard.widgets.side import SideColumn
from tui.text.urgent import still_open
from tui.text.wording import call_aloud

PLAY_S = 10.0
"""How far back the sound is played again."""


class CaseActions(UtteranceActions):
    """The acts of a person, one for each key of the dashboard."""

    hear_out: Callable[[], None] | None = None
    """Takes no more sound of a case that is heard, and has it end once all is heard."""
    _card: CardInCase | None = None
    """The card that was begun last."""
    _passed: int | None = None
    """The setting of the recording that was told not to be taken back."""

    # ------------------------------------------------------------------ calls and notes

    def action_call(self) -> None:
        """Open the palette of all calls."""
        self.open(
            lambda manual: EnterDialog(
                self.keymap, manual, manual.protocol.call, view_now=self.view_now
            )
        )

    def action_vital(self) -> None:
        """Open the palette of vital signs."""

        def vitals(manual: ManualEntry) -> Dialog:
            calls = [call for call in manual.protocol.call if call.vital]
            if not calls:
                raise ValueError("the protocol has no vital signs")
            return EnterDialog(
                self.keymap, manual, calls, what="VITAL SIGN", view_now=self.view_now
            )

        self.open(vitals)

    def action_weight(self) -> None:
        """Ask for the patient's weight."""
        self.open(lambda manual: WeightDialog(self.keymap, manual, self.view_now))

    def action_note(self) -> None:
        """Ask for a free note."""
        self.open(lambda manual: NoteDialog(self.keymap, manual))

    def action_mark(self) -> None:
        """Mark this moment for the debrief, at once."""

        def marked(manual: ManualEntry) -> str:
            manual.mark()
            return "this moment is marked"

        self.act(marked)

    def action_heard(self) -> None:
        """Ask which open call was answered."""

        def waiting(manual: ManualEntry) -> Dialog:
            if not self.view_now().waiting:
                raise ValueError("no call waits for an answer")
            return AnsweredDialog(self.keymap, manual, self.view_now)

        self.open(waiting)

    # ------------------------------------------------------------------ cards, words said aloud, undoing

    def action_card(self) -> None:
        """Begin a card of somebody who joins; skip a sentence or end it where one is being read."""

        def joining(manual: ManualEntry) -> Dialog:
            if manual.read_card is None:
                raise ValueError("nobody can read a card here: no microphone hears this case")
            reading = self._card if self._card and not self._card.over else None
            return CardDialog(self.keymap, manual, reading, self._card_begun)

        self.open(joining)

    def _card_begun(self, card: CardInCase) -> None:
        self._card = card

    def action_say_again(self) -> None:
        """Say the most urgent open call aloud to the leader."""

        def said(manual: ManualEntry) -> str:
            if manual.say is None:
                raise ValueError(
                    manual.silent_because
                    or "nothing is said aloud here: that needs --speak, and a loudspeaker"
                )
            waiting = self.view_now().waiting
            if not waiting:
                raise ValueError("no call waits for an answer")
            words = call_aloud(manual.protocol, *waiting[0])
            self.run_worker(lambda: self._say(manual, words), thread=True, exclusive=True)
            return f"saying: {words}"

        self.act(said)

    def _say(self, manual: ManualEntry, words: str) -> None:
        if manual.say is None:
            return
        try:
            manual.say(words)
        except UserError as error:
            self.call_from_thread(self.tell, str(error))

    def action_undo(self) -> None:
        """Take back the last act."""

        def undone(manual: ManualEntry) -> str:
            shown = self.keymap.shown
            try:
                words = manual.undo(self._passed)
            except RecordingLast as last:
                self._passed = last.fact
                again = f"; {shown('undo')} again takes back: {last.before}" if last.before else ""
                return f"{last}: {shown('record')} sets it again{again}"
            return f"taken back: {words}" if words else "nothing is left to take back"

        self.act(undone)

    # ------------------------------------------------------------------ timers and checklists

    def action_timers(self) -> None:
        """Open the list of timers."""

        def left(result: str | None) -> None:
            if result == START:
                self.start_timer()
            else:
                self.tell(result)

        self.open(lambda manual: TimersDialog(self.keymap, manual, self.view_now), left)

    def start_timer(self) -> None:
        """Ask for the length of a timer of the recorder's own."""

        def length(manual: ManualEntry) -> Dialog:
            starts: Call | None = next(
                (call for call in manual.protocol.call if call.effect == "start-timer"), None
            )
            if starts is None:
                raise ValueError("the protocol has no call that starts a timer")
            return EnterDialog(
                self.keymap, manual, [starts], what="START", only=starts, own_timer=True
            )

        self.open(length)

    def action_tick(self) -> None:
        """Open the checklists."""

        def ticks(manual: ManualEntry) -> Dialog:
            if not self.view_now().checklists:
                raise ValueError("the protocol has no checklist")
            return ChecklistDialog(self.keymap, manual, self.view_now, self.act)

        self.open(ticks)

    # ------------------------------------------------------------------ sound, colours, end

    def action_play(self) -> None:
        """Play the last ten seconds again."""

        def played(manual: ManualEntry) -> str:
            if manual.play is None:
                raise ValueError("no sound is kept of this case")
            now = manual.clock()
            start = max(now - PLAY_S, 0.0)
            self.run_worker(lambda: self._play(manual, start, now), thread=True, exclusive=True)
            return "playing the last ten seconds"

        self.act(played)

    def _play(self, manual: ManualEntry, start: float, end: float) -> None:
        if manual.play is None:
            return
        try:
            manual.play(start, end)
        except UserError as error:
            self.call_from_thread(self.tell, str(error))

    def action_record(self) -> None:
        """Pause the recording, or take it up again."""

        def set_(manual: ManualEntry) -> str:
            if not self.recorded:
                raise ValueError("this case is not recorded: that is chosen at its start")
            on = not self.view_now().recording
            manual.record(on=on)
            again = self.keymap.shown("record")
            if on:
                return f"recording again   ({again} pauses it)"
            return f"recording paused: silence from here on   ({again} takes it up again)"

        self.act(set_)

    def action_theme(self) -> None:
        """Change to the next colours."""
        names = list(THEMES)
        self.colours = names[(names.index(self.colours) + 1) % len(names)]
        self.theme = THEMES[self.colours].name
        self.tell(IN_WORDS[self.colours])

    def action_help_quit(self) -> None:
        """Ask about the end of the case on Ctrl-C, in our own words.

        Where nothing would be asked nothing is left, and a sentence says which key leaves.
        """
        if self._manual is None or not self.listening:
            self.tell(f"Ctrl-C does nothing here: {self.keymap.shown('quit')} leaves this screen")
        else:
            self.action_leave()

    async def action_quit(self) -> None:
        """Ask as our own key to quit does; Textual calls this."""
        self.action_leave()

    def action_leave(self) -> None:
        """End the case; ask first while it is being heard."""
        if self._manual is None or not self.listening:
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
        """Ask about the answer of the call that was clicked."""

        def waiting(manual: ManualEntry) -> Dialog:
            return AnsweredDialog(self.keymap, manual, self.view_now, message.loop)

        self.open(waiting)

    def on_side_column_clicked(self, message: SideColumn.Clicked) -> None:
        """Open what stands in the panel."""
        opens = {
            "checklists": self.action_tick,
            "timers": self.action_timers,
            "vitals": self.action_vital,
        }
        if self._manual is not None and message.panel in opens:
            opens[message.panel]()
