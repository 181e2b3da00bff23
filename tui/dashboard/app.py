"""The live dashboard: a View, drawn several times a second.

Nothing is pushed to the screen. It asks for the case as it stands now, so that a deadline that
passes shows without an event, and a lost event cannot leave it wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType
from typing import ClassVar, get_args

from textual.app import ComposeResult
from textual.binding import Binding, BindingsMap, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Static

from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.dashboard.actions import CaseActions
from tui.dashboard.dialogs.amend import AmendDialog
from tui.dashboard.dialogs.box import kept_rows
from tui.dashboard.dialogs.find import FindDialog
from tui.dashboard.dialogs.reading import ReadingDialog
from tui.dashboard.dialogs.weight import WeightDialog
from tui.dashboard.keys import IDS, JOINING, LOOKING, SPEAKING, KeyMap, Place
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.settings import Settings
from tui.dashboard.status import Status
from tui.dashboard.widgets.calls import LEAST_CALLS, LEAST_LOG, LOG_TITLED, CallsPanel
from tui.dashboard.widgets.header import Bottom, Header, Partial
from tui.dashboard.widgets.help import Help
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.side import SideColumn
from tui.dashboard.widgets.unsure import UnsureStrip
from tui.dashboard.widgets.urgent import UrgentLine
from tui.pages.handover import handover_page
from tui.pages.page import Page
from tui.text.weights import unusual_weight

ROOMY = 120
"""Columns from which the help leaves the side column in sight."""
READ_FIRST: Mapping[str, int] = MappingProxyType(
    {"Open points": 0, "Drugs reported given": 1, "Who was heard": 3}
)
"""Tables of the handover that stand first on the screen, and the one that stands last."""
PERIOD_S = 0.2
"""Between two looks at the case. Ages and timers show whole seconds; the level meter needs more,
and an idle laptop less."""


class Dashboard(CaseActions):
    """The screen of a recorder outside the room.

    `view_at(now)` gives the case at `now`, seconds on the case's clock, and `clock()` that moment;
    `status()` tells how the listening goes. All three are called in the screen's thread several
    times a second and must not block; another thread may feed the case meanwhile. `start` is called
    once the screen stands, `stop` once when it goes; both must return soon. `wall` gives the local
    time of day. With `ask_weight` a weight that may be a slip is asked about. `hear_out` takes no more
    sound, and has the case end once all is heard. With `manual` its keys store what a person
    does; without, it only shows.
    """

    CSS_PATH = "answerback.tcss"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [*KeyMap().bindings()]
    HELP_KEYS: ClassVar[tuple[Binding, ...]] = ()
    """Of a dashboard with keys of its own; else the help is made from the table of keys."""
    FOOT_KEYS: ClassVar[tuple[tuple[str, str], ...]] = ()
    """Likewise for the footer."""
    first_word: str = ""
    """A sentence that stands in the notice when the screen appears."""

    def __init__(
        self,
        protocol: Protocol,
        *,
        view_at: Callable[[float], View],
        clock: Callable[[], float],
        status: Callable[[], Status],
        start: Callable[[], None] | None = None,
        stop: Callable[[], None] | None = None,
        wall: Callable[[], datetime] = datetime.now,
        manual: ManualEntry | None = None,
        settings: Settings | None = None,
        ask_weight: bool = False,
        hear_out: Callable[[], None] | None = None,
    ) -> None:
        settings = settings or Settings()
        super().__init__(
            protocol,
            view_now=lambda: view_at(clock()),
            status_now=status,
            manual=manual,
            settings=settings,
        )
        if settings.keys and not self.HELP_KEYS:
            self._bindings = BindingsMap(self.keymap.bindings())
        self._protocol = protocol
        self._start_listening = start
        self._stop_listening = stop
        self._begun = False
        """Whether listening has begun: no picture before that, which would lack the weight."""
        self._wall = wall
        self._ask_weight = ask_weight
        self.hear_out = hear_out
        self._header = Header(id="header", markup=False)
        self._urgent = UrgentLine(protocol, self.keymap if manual else None)
        self._calls = CallsPanel(protocol)
        self._unsure = UnsureStrip(protocol, self.keymap if manual else None, self.guess)
        self._log_title = Static("LOG", id="log-title", classes="title", markup=False)
        self._lines = RunningLog(protocol)
        self._partial = Partial(id="partial", markup=False)
        self._side = SideColumn(protocol)
        self._bottom = Bottom(id="bottom", markup=False)
        self._main = Vertical(id="main")
        self._help_area = VerticalScroll(id="help-area", can_focus=False)

    def compose(self) -> ComposeResult:
        yield self._header
        yield self._urgent
        with Horizontal(id="body"):
            with self._main:
                yield self._calls
                yield self._unsure
                yield self._log_title
                yield self._lines
            yield self._side
            with self._help_area:
                yield Help(id="help", markup=False)
            yield self.box
        yield self._partial
        yield self._bottom

    def on_mount(self) -> None:
        """Begin to listen once all is laid out, then draw the first picture."""
        self._foot()
        self.query_one(Help).show(self._help_sections())
        self.call_after_refresh(self._begin)

    def _help_sections(self) -> list[tuple[str, list[tuple[str, str]]]]:
        if self.HELP_KEYS:
            return [
                (
                    "",
                    [
                        (b.key_display or b.key, b.description)
                        for b in self.HELP_KEYS
                        if b.description
                    ],
                )
            ]
        sections = [(place, self.keymap.rows(place, self._offered)) for place in get_args(Place)]
        return [(place, rows) for place, rows in sections if rows]

    @property
    def _offered(self) -> frozenset[str]:
        if self._manual is None:
            return LOOKING
        return IDS if self._manual.read_card else IDS - JOINING

    def _foot(self) -> None:
        speaking = self._manual is not None and self._manual.say is not None
        footed = self._offered if speaking else self._offered - SPEAKING
        keys = self.FOOT_KEYS or self.keymap.foot(footed)
        if not self.FOOT_KEYS and not self._bottom.fits(keys):
            keys = self.keymap.foot(footed, short=True)
        self._bottom.show(keys)

    def _begin(self) -> None:
        if self._start_listening is not None:
            self._start_listening()
        self._begun = True
        self.tell(self.first_word or None)
        self.look()
        self.set_interval(PERIOD_S, self.look)

    def on_unmount(self) -> None:
        """Stop listening however the screen came to go."""
        stop, self._stop_listening = self._stop_listening, None
        if stop is not None:
            stop()

    def look(self) -> None:
        """Draw the case as it stands now. Parts that did not change are left alone."""
        if not self._begun or not self.screen_stack or not self._header.is_attached:
            return
        view, status = self.view_now(), self._status_now()
        calls = self._calls
        odd = unusual_weight(self._protocol, view.weight_kg) if view.weight_kg else ""
        if self._ask_weight and view.weight_kg:
            self._ask_weight = False
            if odd:
                self.open(lambda manual: WeightDialog(self.keymap, manual, self.view_now, odd))
        with self.batch_update():
            self._header.show(view, status, self._wall(), odd.partition(", ")[0])
            self._urgent.below(self._header)
            self._urgent.show(view)
            calls.show(view, self._strip(view))
            self._side.show(view)
            self._partial.show(status, self._notice)
            self._lines.show(view, status.unstored_from)
            self.box.look()
            dialog = self.box.dialog
            self._lines.choose(dialog.fact if isinstance(dialog, AmendDialog) else None)
            self._title_log()

    def _strip(self, view: View) -> int:
        """Draw the strip, and give its rows. Behind the help or a dialog it keeps its places: nothing is
        chosen unseen, and no number comes to mean another utterance."""
        strip, calls = self._unsure, self._calls
        self._make_room()
        if self.helping or not calls.squeezed:
            return strip.rows if self.helping else strip.show(view, calls.spare(view))
        strip.display = 0 < strip.rows <= calls.column - LOG_TITLED
        return strip.rows if strip.display else 0

    def _make_room(self) -> None:
        """Give the calls and the log the rows above an open dialog, so that it covers none of them."""
        rows, whole = self.box.rows, self.query_one("#body").size.height
        calls, main = self._calls, self._main
        column = max(whole - rows, LEAST_CALLS + LEAST_LOG) if rows else whole
        if (column, bool(rows)) == (calls.column, calls.squeezed):
            return
        calls.column, calls.squeezed = column, bool(rows)
        main.styles.height = column if rows else "1fr"
        self._log_title.display = not rows or column >= LOG_TITLED

    def _title_log(self) -> None:
        words = "LOG"
        if not self._lines.following:
            unread = self._lines.unread
            words = f"LOG  scrolled back, {unread} new below: {self._end_key()} follows"
        if self._log_title.content != words:
            self._log_title.update(words, layout=False)

    def _end_key(self) -> str:
        return "End" if self.HELP_KEYS else self.keymap.shown("log-end")

    def on_resize(self) -> None:
        """Fit everything anew: each part shares out the rows it is given."""
        self.call_after_refresh(self._fit)

    def _fit(self) -> None:
        if self._bottom.is_attached:
            self._foot()
            self._help(self.helping)
            self.box.draw()
        self.look()

    def action_log(self, rows: int) -> None:
        """Scroll the log by rows."""
        self._scroll(rows)

    def action_page(self, pages: int) -> None:
        """Scroll the log, or the help, by pages, less one line that stays in sight."""
        seen = self._help_area if self.helping else self._lines
        self._scroll(pages * max(seen.size.height - 1, 1))

    def _scroll(self, rows: int) -> None:
        if self.helping:
            self._help_area.scroll_relative(y=rows, animate=False)
            return
        self._lines.move(rows)
        self._title_log()

    def action_follow(self) -> None:
        """Go back to the newest line of the log; to the end of the help while that is open."""
        if self.helping:
            self._scroll(1_000_000)
            return
        self._lines.follow()
        self._title_log()

    def action_help(self) -> None:
        """Show the help in the log's place, or take it away."""
        self._help(not self.helping)

    def action_handover(self) -> None:
        """Show what would be handed over now."""
        if not self.box.dialog:
            read = ReadingDialog(self.keymap, self.view_now, self._handover)
            self.box.open(read, self.tell)

    def _handover(self, view: View) -> Page:
        page = handover_page(self._protocol, view)
        # On a screen of a few rows the drugs and what is open stand in sight at once.
        first = sorted(page.tables, key=lambda table: READ_FIRST.get(table.title, 2))
        return replace(page, tables=tuple(first))

    def action_find(self) -> None:
        """Find lines of the log."""
        if not self.box.dialog:
            find = FindDialog(self.keymap, self._protocol, self.view_now, self._lines.go_to)
            self.box.open(find, self.tell)

    def action_close(self) -> None:
        """Take the help away, and the notice."""
        self._notice = ""
        self._help(False)

    def action_close_help(self) -> None:
        """Take the help away."""
        self._help(False)

    @property
    def calls_drawn(self) -> int:
        return self._calls.waits

    @property
    def helping(self) -> bool:
        """Return whether the help is shown."""
        return self._help_area.display

    def _help(self, shown: bool) -> None:
        area, body = self._help_area, self.query_one("#body").size
        # Over the log, so that this need not be drawn anew when it goes. The most urgent call stays in
        # sight, and in a wide terminal the side column.
        few = kept_rows(body.height)
        area.display, self._calls.few = shown, few if shown else 0
        area.styles.height = max(body.height - few, 1)
        area.styles.width = self._calls.outer_size.width if body.width >= ROOMY else body.width
        self.look()
