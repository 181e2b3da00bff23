"""A stored case on the dashboard again, at any moment, with its sound. Nothing of it is changed."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import Input

from grammar.case.facts import CaseStarted, Purged
from grammar.case.fold import Case
from grammar.case.view import OtherLine, View
from grammar.errors import UserError
from listener.audio.playback import SPEEDS, Player, player
from listener.storage.case_reader import StoredCase
from tui.dashboard.app import Dashboard
from tui.dashboard.naming import BEFORE_S, MOST, SpeakerNaming
from tui.dashboard.own_terminal import own_terminal
from tui.dashboard.status import Replaying, Status
from tui.dashboard.widgets.track import Track
from tui.pages.debrief.moments import FINDINGS, MARKS, UNANSWERED, Kind, Moment, moments
from tui.pages.debrief.notes import DebriefNote, add_note, read_notes
from tui.text.moment import moment
from tui.text.wall_clock import wall_stamp
from tui.text.wording import clean, clock

WITH_SOUND = "with its sound"
"""Told where the sound of a case is heard."""

LEAD_S = 2.0
"""A jump lands so long before the moment, that it is heard coming."""
_JUST_LANDED_S = 1.5
"""Played so far past a landing, a jump back goes to that landing's moment again."""

_APART_S = 0.05
"""Landings closer than this are one place."""

KEYS: tuple[Binding, ...] = (
    Binding("space", "play", "play, pause", key_display="Space"),
    Binding("left", "move(-5)", "back 5 s", key_display="←"),
    Binding("right", "move(5)", "on 5 s", key_display="→"),
    Binding("shift+left", "move(-30)", "back 30 s", key_display="⇧←"),
    Binding("shift+right", "move(30)", "on 30 s", key_display="⇧→"),
    Binding("minus", "speed(-1)", "slower, down to ½", key_display="-"),
    Binding("plus,equals_sign", "speed(1)", "faster, up to 8 times", key_display="+"),
    Binding("f", "jump('findings', 1)", "next finding", key_display="f"),
    Binding("F", "jump('findings', -1)", "finding before", key_display="F"),
    Binding("u", "jump('unanswered', 1)", "next call unanswered in its window", key_display="u"),
    Binding("U", "jump('unanswered', -1)", "such a call before", key_display="U"),
    Binding("m", "jump('marks', 1)", "next mark or note", key_display="m"),
    Binding("M", "jump('marks', -1)", "mark or note before", key_display="M"),
    Binding("s", "voice(1)", "name the speakers: play the next voice", key_display="s"),
    Binding("S", "voice(-1)", "the voice before", key_display="S"),
    Binding("1", "named(1)", "whose voice it was, by the order of stations", key_display="1 to 6"),
    *(Binding(str(at), f"named({at})", show=False) for at in range(2, MOST + 1)),
    Binding("t", "ask('time')", "go to a time you type", key_display="t"),
    Binding("n", "ask('note')", "note for the debrief", key_display="n"),
    Binding("up", "log(-1)", "log: up one line", key_display="↑"),
    Binding("down", "log(1)", "log: down one line", key_display="↓"),
    Binding("pageup", "page(-1)", "log: up one page", key_display="PgUp"),
    Binding("pagedown", "page(1)", "log: down one page", key_display="PgDn"),
    Binding("end", "follow", "log: follow the newest line", key_display="End"),
    Binding("question_mark", "help", "help", key_display="?"),
    Binding("ctrl+c", "told_q", show=False, priority=True),
    Binding("escape", "away", "close the help or the field", key_display="Esc"),
    Binding("q", "quit", "quit", key_display="q"),
)
GROUPS: dict[str, tuple[Kind, ...]] = {
    "findings": FINDINGS,
    "unanswered": UNANSWERED,
    "marks": MARKS,
}
GROUP_WORDS = {
    "findings": "finding",
    "unanswered": "call not answered in time",
    "marks": "mark or note",
}
ASKED = {"time": "a time, such as 3:25 or 1:03:25", "note": "a note for the debrief"}


# Its own keys alone: what the dashboard's keys would store must not reach a stored case.
class Replay(Dashboard, inherit_bindings=False):
    """The dashboard of a stored case, whose clock is that of a player."""

    only_commands = False  # they are a time, a speed or a speaker here

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(KEYS)
    HELP_KEYS: ClassVar[tuple[Binding, ...]] = KEYS
    FOOT_KEYS: ClassVar[tuple[tuple[str, str], ...]] = (
        ("Space", "play"),
        ("←→", "5 s"),
        ("-+", "speed"),
        ("f u m", "jump"),
        ("s", "speakers"),
        ("t", "time"),
        ("n", "note"),
        ("?", "help"),
        ("q", "quit"),
    )

    def __init__(self, stored: StoredCase, playing: Player, sound: str) -> None:
        """`sound` says in words what is heard."""
        self._stored = stored
        self._player = playing
        self._sound = sound
        self._case: Case = stored.case()
        self._notes = read_notes(stored.folder, stored.keys)
        self._end = stored.end
        self._moments = self._found()
        self._told = "Space plays, ? shows every key"
        self._landed: tuple[str, int] = ("", 0)
        """The group of the last jump, and which of its moments it landed on."""
        self._naming = SpeakerNaming(stored, self._case)
        self._asked: str | None = None
        self._asked_at = 0.0
        started = next((f for f in stored.facts if isinstance(f, CaseStarted)), None)
        self._engine = started.engine if started else ""
        self._source = started.source if started else ""
        super().__init__(
            stored.protocol,
            view_at=self._view,
            clock=lambda: self._player.position,
            status=self._status,
            stop=playing.close,
            wall=_wall(started.wall if started else "", lambda: self._player.position),
        )

    def _found(self) -> tuple[Moment, ...]:
        return moments(self._stored.protocol, self._case.view(self._stored.end), self._notes)

    def _view(self, now: float) -> View:
        view = self._case.at(now)
        notes = [
            OtherLine(note.t, 0, "note", f"debrief: {note.text}")
            for note in self._notes
            if note.t <= now
        ]
        if not notes:
            return view
        return replace(view, log=sorted([*view.log, *notes], key=lambda line: line.t))

    def _status(self) -> Status:
        return Status(
            engine=self._engine,
            level_dbfs=self._player.level_dbfs,
            recording=False,
            partial="",
            source=self._source,
            title=self._stored.protocol.protocol.title,
            replay=Replaying(
                self._player.playing,
                self._player.speed,
                "no sound" if self._player.trouble else self._sound,
            ),
            hears=self._sound == WITH_SOUND and not self._player.trouble,
        )

    def on_mount(self) -> None:
        """Put the line of the whole case above the foot."""
        super().on_mount()
        self.mount(Track(id="track"), before="#bottom")

    def look(self) -> None:
        """Draw the case as it stood at this moment."""
        asked = self._naming.asked
        if asked and self._player.playing and self._player.position > asked.until + BEFORE_S:
            self._player.pause()
        super().look()
        for track in self.query(Track):
            trouble = f"{self._player.trouble}. " if self._player.trouble else ""
            track.show(self._player.position, self._end, self._moments, f"{trouble}{self._told}")

    def say_below(self, sentence: str) -> None:
        """Show a sentence above the foot until another takes its place."""
        self._told = clean(sentence)

    def action_told_q(self) -> None:
        """Ctrl-C leaves nothing: it says which key does."""
        self.say_below("Ctrl-C does nothing here: q leaves the replay")
        self.look()

    def action_play(self) -> None:
        """Plays, or pauses."""
        if self._player.playing:
            self._player.pause()
        else:
            self._player.play()
        self.look()

    def action_move(self, seconds: int) -> None:
        """Go back or on by so many seconds of the case."""
        self._go(self._player.position + seconds)

    def action_speed(self, step: int) -> None:
        """Change to the next faster or slower speed."""
        here = min(range(len(SPEEDS)), key=lambda i: abs(SPEEDS[i] - self._player.speed))
        self._player.go_at(SPEEDS[min(max(here + step, 0), len(SPEEDS) - 1)])
        self.look()

    def action_jump(self, group: str, step: int) -> None:
        """To the next (step 1) or the one before (-1) of a group of moments."""
        wanted = sorted((m for m in self._moments if m.kind in GROUPS[group]), key=landing)
        found = self._beside(group, wanted, step) or neighbour(wanted, self._player.position, step)
        if found is None:
            self._told = f"no {'later' if step > 0 else 'earlier'} {GROUP_WORDS[group]}"
            self.look()
            return
        count = f"{GROUP_WORDS[group]} {wanted.index(found) + 1} of {len(wanted)}"
        detail = f" ({found.detail})" if found.detail else ""
        self._told = f"{count}, {clock(found.t)}: {found.text}{detail}"
        self._landed = group, wanted.index(found)
        self._go(landing(found))

    def _beside(self, group: str, wanted: Sequence[Moment], step: int) -> Moment | None:
        """The one before or after that on which the last jump landed, where that lies at the same place:
        by the place alone it would be passed over."""
        last, at = self._landed
        if last != group or not 0 <= at < len(wanted) or not 0 <= at + step < len(wanted):
            return None
        here, other = landing(wanted[at]), wanted[at + step]
        since = self._player.position - here
        same = abs(landing(other) - here) < _APART_S and 0 <= since < _JUST_LANDED_S
        return other if same else None

    def action_voice(self, step: int) -> None:
        """Play the next utterance whose speaker is not known (1), or the utterance before (-1)."""
        said = self._naming.ask(self._player.position, step)
        self._told = self._naming.question(self._stored.protocol)
        if said is not None:
            self._player.seek(max(said.t - BEFORE_S, 0.0))
            if not self._player.playing:
                self._player.play()
        self.look()

    def action_named(self, number: int) -> None:
        """Store whose voice it was, and go on to the next."""
        try:
            told = self._naming.name(number)
        except UserError as error:
            self._told = clean(str(error))
            self.look()
            return
        self._moments = self._found()
        self.action_voice(1)
        self._told = f"= {told}. {self._told}"
        self.look()

    def action_ask(self, what: str) -> None:
        """Open the field for a time or a note."""
        self._asked, self._asked_at = what, self._player.position
        prompt = self.query_one("#prompt", Input)
        prompt.placeholder = ASKED[what] + " (Enter takes it, Esc leaves)"
        prompt.value = ""
        self._ask(True)
        prompt.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go to the typed time, or keep the note."""
        asked, text = self._asked, event.value.strip()
        self._ask(False)
        try:
            if asked == "time" and text:
                self._go(moment(text))
                self._told = f"at {clock(self._player.position)}"
            elif asked == "note" and clean(text):
                self._note(clean(text))
        except (ValueError, UserError) as error:
            self._told = str(error)
        self.look()

    def _note(self, text: str) -> None:
        wall = wall_stamp()
        note = DebriefNote(round(self._asked_at, 2), text, wall)
        add_note(self._stored.folder, note, self._stored.keys)
        self._notes = tuple(sorted([*self._notes, note], key=lambda each: each.t))
        self._moments = self._found()
        self._told = f"noted at {clock(note.t)}"

    def action_away(self) -> None:
        """Close the field, or the help; name no more speakers."""
        self._naming.asked = None
        if self._asked is not None:
            self._ask(False)
        else:
            self.action_close_help()

    def _ask(self, shown: bool) -> None:
        self._asked = self._asked if shown else None
        self.query_one("#prompt").display = shown
        self.query_one("#told").display = not shown
        if not shown:
            self.set_focus(None)

    def _go(self, at: float) -> None:
        self._player.seek(at)
        self.look()


def neighbour(wanted: Sequence[Moment], now: float, step: int) -> Moment | None:
    """Return the moment that a jump from `now` lands on, in order of time, or None where there is none."""
    if step > 0:
        return next((each for each in wanted if landing(each) > now + _APART_S), None)
    earlier = [each for each in wanted if landing(each) < now - _JUST_LANDED_S]
    here = [each for each in wanted if abs(landing(each) - now) <= _JUST_LANDED_S]
    if here:
        earlier = [each for each in wanted if landing(each) < landing(here[0]) - 0.05]
    return earlier[-1] if earlier else None


def landing(moment: Moment) -> float:
    """Where a jump to it goes."""
    heard_from = moment.t if moment.heard_from is None else min(moment.heard_from, moment.t)
    return max(heard_from - LEAD_S, 0.0)


def _wall(began: str, position: Callable[[], float]) -> Callable[[], datetime]:
    """Return the time of day as it was; the present one where the case does not say when it began."""
    try:
        start = datetime.fromisoformat(began)
    except ValueError:
        return datetime.now

    def then() -> datetime:
        try:
            return start + timedelta(seconds=position())
        except OverflowError:  # the end of all calendars, in a case from elsewhere
            return start

    return then


def run_replay(stored: StoredCase, at: float, speed: float, mute: bool) -> None:
    """Show a stored case on the dashboard, paused at `at` seconds, until its user quits.

    Raises UserError where there is no terminal or no such moment.
    """
    if not sys.stdout.isatty():
        raise UserError("there is no terminal to draw on: use debrief for a report")
    if at > stored.end:
        raise UserError(f"the case ends at {clock(stored.end)}: it has no {clock(at)}")
    playing, silent = player(stored.sound, stored.end, at, mute=mute)
    playing.go_at(speed)
    with own_terminal():
        shown = Replay(stored, playing, what_is_heard(stored, silent))
        if silent and silent != "muted":
            shown.say_below(silent if silent.startswith("no sound") else f"no sound: {silent}")
        shown.run()


def what_is_heard(stored: StoredCase, silent: str = "") -> str:
    """Return in words for the screen what is heard; `silent` says why sound that there is cannot be
    played."""
    if stored.sounds and silent and silent != "muted":
        return "no sound"  # why stands below the track once, not in a header of few words
    if stored.sounds:
        return silent or WITH_SOUND
    if any(isinstance(fact, Purged) for fact in stored.facts):
        return "sound was purged"
    return "no sound was kept"
