"""The briefing view: the sheet, a try of the microphone, and the choice to record, before a case.

Nothing is written and nothing recorded while it stands.
"""

from __future__ import annotations

import time
from dataclasses import KW_ONLY, dataclass, replace
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Input, Static

from grammar.protocol.model import Protocol, decimal
from listener.audio.level_check import LevelCheck
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.palette import dress
from tui.dashboard.settings import Theme
from tui.dashboard.widgets.header import in_rows
from tui.pages.briefing import briefing
from tui.pages.page import as_text
from tui.text.speakers import VOICE_NOTICE
from tui.text.weights import typed_weight, unusual_weight
from tui.text.wording import (
    CAUTION,
    CAUTION_IN_SHORT,
    DRILL_WORDS,
    clean,
    level,
    number,
    station,
)

SPOKEN = "consent to the recording is given aloud, first thing on it"

KEYS = (
    ("Enter", "begin"),
    ("r", "recording on or off"),
    ("a", "consent given aloud"),
    ("n", "note of consent"),
    ("w", "weight"),
    ("d", "drill or real"),
    ("o", "objectives"),
    ("s", "scenario"),
    ("t", "know the team"),
    ("e", "another first hearing"),
    ("↑↓", "read"),
    ("q", "leave, nothing begun"),
)


@dataclass(frozen=True, slots=True)
class BriefingChoice:
    """The choices made at the briefing."""

    _: KW_ONLY
    record: bool
    note: str
    """A note of consent, for the log; empty where none was made."""
    weight_kg: float | None
    drill: bool | None = None
    """Whether it is a drill; None where nobody said."""
    scenario: str = ""
    objectives: tuple[str, ...] = ()
    """Both as in `CaseStarted`."""
    cards: bool = False
    """The case does not begin yet: the team reads its cards first."""
    ear: int = 0
    """The quick ear that listens, by its place in those offered."""


class Preflight(App[BriefingChoice]):
    """The briefing before a case. It returns the choices, or None where its user left."""

    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None  # keys are commands until something is to be written
    CSS = """
    Screen { background: $ground; color: $ink; }
    #choices { dock: bottom; height: auto; background: $raised; padding: 0 1; }
    #sheet { height: 1fr; padding: 0 1; scrollbar-size-vertical: 1; }
    #text { height: auto; }
    Input { display: none; height: 3; }
    Input.-shown { display: block; }
    Input > .input--placeholder { color: $quiet; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "begin"),
        Binding("r", "record"),
        Binding("a", "aloud"),
        Binding("n", "write('note')"),
        Binding("w", "write('weight')"),
        Binding("d", "drill"),
        Binding("o", "write('objectives')"),
        Binding("s", "write('scenario')"),
        Binding("t", "cards"),
        Binding("e", "ear"),
        Binding("ctrl+c", "told_q", priority=True),
        Binding("up", "read(-1)"),
        Binding("down", "read(1)"),
        Binding("pageup", "read(-20)"),
        Binding("pagedown", "read(20)"),
        Binding("escape", "close"),
        Binding("q", "leave"),
    ]

    def __init__(
        self,
        protocol: Protocol,
        *,
        weight_kg: float | None,
        record: bool,
        check: LevelCheck | None,
        source: str = "",
        colours: Theme = "dark",
        drill: bool | None = None,
        scenario: str = "",
        objectives: tuple[str, ...] = (),
        note: str = "",
        known: tuple[str, ...] = (),
        ears: tuple[str, ...] = (),
        ear: int = 0,
        doubts: tuple[str, ...] = (),
    ) -> None:
        """`check` tries the microphone; None where sound comes from `source`, a file's name. `known` are
        the stations whose voices are known already, `ears` the quick ears that heard their cards, in words,
        `ear` the one that listens unless another is chosen, and `doubts` what came of fitting the bounds
        of doubt of each."""
        super().__init__()
        dress(self, colours)
        self._protocol = protocol
        self._check, self._source = check, source
        self._weight, self._record, self._note = weight_kg, record, note
        self._known, self._ears, self._ear, self._doubts = known, ears, ear, doubts
        self._drill = drill
        self._scenario, self._objectives = scenario, "; ".join(objectives)
        self._doubted: float | None = None
        """A weight that was asked about, and is taken if it is written once more."""
        self._asked, self._problem = "", ""
        self._enter_at: float | None = None
        """When Enter was last struck."""

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="sheet", can_focus=False):
            yield Static(id="text", markup=False)
        yield Input(id="entry")
        yield Static(id="choices", markup=False)

    def on_mount(self) -> None:
        """Begin to try the microphone."""
        if self._check:
            self._check.start()
        self.set_interval(0.1, self._show)
        self.call_after_refresh(self._write_sheet)

    def on_unmount(self) -> None:
        """Let the microphone go however the screen came to go."""
        if self._check:
            self._check.stop()

    def on_resize(self) -> None:
        """Fit the sheet anew."""
        self.call_after_refresh(self._write_sheet)

    def _write_sheet(self) -> None:
        width = max(self.size.width - 3, 40)
        page = as_text(briefing(self._protocol, self._weight), width)
        self.query_one("#text", Static).update(Content(page))
        self._show()

    def _show(self) -> None:
        aims = [self._aims()] if self._scenario or self._objectives else []
        lines = [
            self._recording(),
            self._consent(),
            *aims,
            self._voices(),
            self._input(),
            self._keys(),
        ]
        content = Content("\n").join(lines)
        # None while the screen goes: its timer may outlive it by a moment.
        for choices in self.query("#choices").results(Static):
            if content != choices.content:
                choices.update(content)

    def _recording(self) -> Content:
        weight = f"{number(decimal(self._weight))} kg" if self._weight else "not entered"
        chosen = (
            ("● SOUND WILL BE RECORDED", "bold $on-urgent on $good")
            if self._record
            else ("○ sound will not be recorded", "bold")
        )
        kind = DRILL_WORDS[self._drill]
        return Content.assemble(
            chosen, ("   weight ", "$quiet"), (weight, "bold"), ("   ", ""), (kind, "bold $heading")
        )

    def _consent(self) -> Content:
        if self._problem:
            return Content.styled(f"!! {self._problem}", "bold $urgent")
        if self._note:
            return Content.assemble(("note of consent: ", "$quiet"), (clean(self._note), "bold"))
        missing = (
            "consent to the recording is not noted: a, given aloud; n, written"
            if self._record
            else ""
        )
        return Content.styled(missing, "$urgent")

    def _aims(self) -> Content:
        told = (("scenario ", self._scenario), ("objectives ", self._objectives))
        parts = [
            (part, "bold") if part == text else (part, "$quiet")
            for name, text in told
            if text
            for part in (name, text, "  ")
        ]
        return Content.assemble(*((clean(part), style) for part, style in parts))

    def _voices(self) -> Content:
        names = ", ".join(station(self._protocol, each) for each in self._known)
        return Content.assemble(
            ("known by voice: ", "$quiet"),
            (names or "nobody yet (t)", "bold"),
            (f". {VOICE_NOTICE}", "$quiet"),
            *self._ears_in_words(),
        )

    def _ears_in_words(self) -> list[tuple[str, str]]:
        if not self._ears:
            return []
        found = [("\nfirst hearing, with the cards it understood: ", "$quiet")]
        for at, ear in enumerate(self._ears):
            found.append((f"{ear}  ", "bold $heading" if at == self._ear else "$quiet"))
        found.append(("(e: another)" if len(self._ears) > 1 else "", "$quiet"))
        if self._ear < len(self._doubts) and self._doubts[self._ear]:
            found.append((f"\n{self._doubts[self._ear]}", "$quiet"))
        return found

    def _input(self) -> Content:
        check = self._check
        if check is None:
            return Content.assemble(("sound from ", "$quiet"), clean(self._source))
        shown = "  ".join(level(each) for each in check.levels)
        name = clean(check.name) or "microphone"
        return Content.assemble((f"{name}  ", "$quiet"), f"{shown}  ", (check.verdict, "bold"))

    def _keys(self) -> Content:
        caution = CAUTION if self.size.width > len(CAUTION) + 2 else CAUTION_IN_SHORT
        # A key that would do nothing is not offered, and no row ends between a key and its word.
        keys = [pair for pair in KEYS if pair[0] != "e" or len(self._ears) > 1]
        rows = in_rows(keys, max(self.size.width - 2, 20))
        return Content("\n").join([Content.styled(caution, "$quiet"), *rows])

    # ------------------------------------------------------------------ keys

    def action_begin(self) -> None:
        """Begin the case; ask first about an odd weight that was given with the command.

        An Enter just after one that closed a line, or asked, begins nothing.
        """
        before, self._enter_at = self._enter_at, time.monotonic()
        if before is not None and self._enter_at - before < BOUNCE_S:
            return
        doubt = unusual_weight(self._protocol, self._weight) if self._weight else ""
        if doubt and self._weight != self._doubted:
            self._doubted = self._weight
            self._problem = f"{doubt}: Enter begins with it, w changes it"
            self._show()
            return
        self.exit(self._choice())

    def _choice(self) -> BriefingChoice:
        typed = (clean(text).strip() for text in self._objectives.split(";"))
        return BriefingChoice(
            record=self._record,
            note=self._note,
            weight_kg=self._weight,
            drill=self._drill,
            scenario=clean(self._scenario),
            objectives=tuple(text for text in typed if text),
            ear=self._ear,
        )

    def action_told_q(self) -> None:
        """Ctrl-C leaves nothing, and loses nothing that was entered."""
        self._problem = "Ctrl-C does nothing here: q leaves, and nothing is begun; Enter begins"
        self._show()

    def action_leave(self) -> None:
        """Leaves; nothing has begun."""
        self.exit(None)

    def action_cards(self) -> None:
        """Leave for the cards; the briefing comes again after them."""
        self.exit(replace(self._choice(), cards=True))

    def action_ear(self) -> None:
        """Choose the next of the quick ears that heard the cards."""
        if self._ears:
            self._ear = (self._ear + 1) % len(self._ears)
            self._show()

    def action_record(self) -> None:
        """Turns the recording on or off."""
        self._record = not self._record
        self._show()

    def action_drill(self) -> None:
        """Mark the case as a drill, as a real one, or as neither."""
        self._drill = {None: True, True: False, False: None}[self._drill]
        self._show()

    def action_aloud(self) -> None:
        """Notes that consent will be spoken."""
        self._note = "" if self._note == SPOKEN else SPOKEN
        self._show()

    def action_read(self, rows: int) -> None:
        """Scroll the sheet."""
        self.query_one("#sheet").scroll_relative(y=rows, animate=False)

    def action_write(self, what: str) -> None:
        """Open the line to write a note, the weight, objectives or the scenario on."""
        entry = self.query_one(Input)
        self._asked = what
        entry.placeholder = {
            "note": "note of consent: by whom, for what; roles, no names",
            "weight": "weight in kg",
            "objectives": "what the drill is held for, for its debrief; several with ; between",
            "scenario": "the drill's script by name; trends join drills of one scenario",
        }[what]
        known = {"note": self._note, "objectives": self._objectives, "scenario": self._scenario}
        entry.value = known.get(what, "")
        entry.add_class("-shown")
        entry.focus()

    def action_close(self) -> None:
        """Close the line, as it was."""
        self._asked, self._problem = "", ""
        entry = self.query_one(Input)
        entry.remove_class("-shown")
        self.set_focus(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take in what was written."""
        self._enter_at = time.monotonic()
        text = event.value.strip()
        if self._asked == "note":
            self._note = text
        elif self._asked == "objectives":
            self._objectives = text
        elif self._asked == "scenario":
            self._scenario = text
        else:
            try:
                weight = typed_weight(text)
            except ValueError as error:
                self._problem = str(error)
                self._show()
                return
            doubt = unusual_weight(self._protocol, weight, self._weight)
            if doubt and weight != self._doubted:
                self._doubted = weight
                self._problem = f"{doubt}: Enter again if it is right"
                self._show()
                return
            self._weight = weight
        self.action_close()
        self._write_sheet()
