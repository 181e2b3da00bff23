"""The dashboard's keys and clicks that put right what was heard: words, doubts, who spoke."""

from __future__ import annotations

from collections.abc import Sequence

from grammar.case.view import Utterance
from grammar.language.other_readings import Guess
from tui.dashboard.action_base import ActionBase
from tui.dashboard.dialogs.amend import AmendDialog, Stage
from tui.dashboard.dialogs.confirm import ConfirmDialog
from tui.dashboard.dialogs.dialog import Dialog
from tui.dashboard.dialogs.help_call import HelpCallDialog
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.unsure import UnsureStrip
from tui.text.speakers import said_before
from tui.text.wording import clean, clock, heard, station

RECENT = 200
"""Utterances that can be walked through while one is put right."""


class UtteranceActions(ActionBase):
    """The acts of a person on one utterance, one for each key."""

    def action_guess(self, item: int, which: int) -> None:
        """Show in words a guess of the strip that may be right; it takes Enter or a typed value."""
        strip = self.query_one(UnsureStrip)
        said = strip.at(item)

        def opened(manual: ManualEntry) -> Dialog:
            if said is None or self.helping:
                raise ValueError("nothing unsure stands there")
            if not strip.stands(item):
                key = self.keymap.shown(f"unsure-{2 * item + which + 1}")
                raise ValueError(f"{key} has just come to mean another utterance: look again")
            if which == 0:
                return self._see(manual, said, None)
            guesses = self.guess(said)
            if guesses:
                return self._see(manual, said, guesses[0])
            return self._amending(manual, [said], at=0, stage="words")

        self.open(opened)

    def _see(self, manual: ManualEntry, said: Utterance, chosen: Guess | None) -> Dialog:
        return ConfirmDialog(
            self.keymap,
            manual,
            said=said,
            chosen=chosen,
            guesses=self._guesses,
            view_now=self.view_now,
        )

    def action_guess_rest(self) -> None:
        """Go through the unsure utterances that the strip has no room for, one after the other."""

        def opened(manual: ManualEntry) -> Dialog:
            rest = self.query_one(UnsureStrip).hidden
            if not rest:
                raise ValueError("nothing more is unsure than the strip shows")
            return self._amending(manual, rest, at=0, stage="guesses")

        self.open(opened)

    def action_help_called(self) -> None:
        """Ask whether a possible call for help was one: yes or no."""

        def opened(manual: ManualEntry) -> Dialog:
            if not self.view_now().possible_help:
                raise ValueError("nothing heard may be a call for help")
            return HelpCallDialog(self.keymap, manual, self._guesses, self.view_now)

        self.open(opened)

    def action_amend(self) -> None:
        """Put the newest utterance right."""
        self.put_right(None)

    def action_speaker(self) -> None:
        """Ask who spoke the newest utterance."""
        self.put_right(None, "speaker")

    def action_same_speaker(self) -> None:
        """Name who spoke the utterance before, on the same channel, as the speaker of the newest."""

        def same(manual: ManualEntry) -> str:
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
            name = station(manual.protocol, before.sender)
            if newest.sender == before.sender and newest.speaker.confidence >= 1:
                raise ValueError(f"{name} is named there already: nothing more is stored")
            manual.spoke(newest.fact, before.sender)
            return f"{name} spoke: {heard(newest.text)}"

        self.act(same)

    def put_right(self, fact: int | None, stage: Stage = "guesses") -> None:
        """Open an utterance; where none is named the one that was looked for, else the newest."""

        def opened(manual: ManualEntry) -> Dialog:
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
            below = self._by_hand_since(manual, said[at]) if wanted is None else ""
            return self._amending(manual, said, at=at, stage=stage, below=below)

        self.open(opened)

    def _newest_stands(self, log: RunningLog, key: str) -> None:
        """Raise ValueError where the newest line has only just come."""
        if not log.stands:
            again = self.keymap.shown(key)
            raise ValueError(
                f"a new line has just come, nothing is stored: look, then {again} again"
            )

    def _by_hand_since(self, manual: ManualEntry, said: Utterance) -> str:
        """Return what stands below the newest utterance and was done by hand, in words; "" where nothing
        does: that is nothing that anybody said."""
        last = max(self.view_now().log, key=lambda line: (line.t, line.fact))
        return clean(manual.last_in_words(last.fact)) if last.fact != said.fact else ""

    def _amending(
        self,
        manual: ManualEntry,
        said: Sequence[Utterance],
        *,
        at: int,
        stage: Stage,
        below: str = "",
    ) -> Dialog:
        return AmendDialog(
            self.keymap,
            manual,
            said=said,
            at=at,
            guess=self.choices,
            guesses=self._guesses,
            view_now=self.view_now,
            stage=stage,
            below=below,
        )

    def on_running_log_clicked(self, message: RunningLog.Clicked) -> None:
        """Put the utterance right that was clicked."""
        if self._manual is not None:
            self.put_right(message.fact)

    def on_unsure_strip_chosen(self, message: UnsureStrip.Chosen) -> None:
        """Take the guess that was clicked."""
        self.action_guess(message.item, message.guess)
