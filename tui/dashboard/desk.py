"""The desk: the list of cases, and what can be done with each."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import work
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import DataTable, Static
from textual.worker import get_current_worker

from listener.storage.case_index import IndexedCase, shelf, shelved
from tui.dashboard.own_terminal import LEAVE, lent_terminal
from tui.dashboard.palette import dress
from tui.dashboard.settings import Theme, load_settings
from tui.pages.pager import MARGIN, Pager
from tui.text.wording import CAUTION, CAUTION_IN_SHORT, clean, clean_lines, clock

Run = Callable[[Sequence[str], bool], str]
"""Runs `answerback` with arguments; True: gives what it printed, to be read on the desk."""

KEYS = (
    Binding("n", "begin", "new"),
    Binding("g", "do('resume')", "go on"),
    Binding("v", "do('view')", "view"),
    Binding("r", "do('replay')", "replay"),
    Binding("o", "do('handover')", "handover"),
    Binding("d", "do('debrief')", "debrief"),
    Binding("p", "purge", "purge sound"),
    Binding("f5", "read", "read again", key_display="F5"),
    Binding("q", "quit", "quit"),
)
"""Every key of the desk, in the order of its footer. Enter does what suits the case best."""

MARKS = {
    "running": "▶ running",
    "broken off": "! broken off",
    "ended": "■ ended",
    "locked": "# locked",
    "damaged": "!! DAMAGED",
}
KINDS: Mapping[bool | None, str] = MappingProxyType(
    {True: "drill", False: "REAL", None: "not said"}
)
"""Words for what a case is, short enough for a column."""
COLUMNS = ("began", "drill or real", "state", "length", "said", "sound", "protocol", "folder")
STEP = 20
"""Cases between two words on how far the reading is."""
SUITS = {"running": "view", "broken off": "resume", "ended": "replay", "locked": "replay"}
PAGES = ("handover", "debrief")
"""Commands that print a page."""


class Desk(App[None]):
    """Shows the cases of a folder. `commands` are those there are; the others are not offered."""

    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { background: $ground; color: $ink; }
    #title { dock: top; height: auto; min-height: 2; max-height: 4; background: $raised; padding: 0 1; }
    #foot { dock: bottom; height: auto; background: $raised; padding: 0 1; }
    DataTable { height: 1fr; background: $ground; color: $ink; }
    DataTable > .datatable--header { background: $ground; color: $heading; text-style: bold; }
    DataTable > .datatable--cursor { background: $heading; color: $ground; text-style: bold; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "told_q", "leave", show=False, priority=True),
        *KEYS,
        Binding("y", "yes", "", show=False),
        Binding("escape", "no", "", show=False),
    ]

    def __init__(
        self,
        place: Path,
        commands: Sequence[str],
        run: Run | None = None,
        colours: Theme = "dark",
    ) -> None:
        super().__init__()
        dress(self, colours)
        self._place, self._commands = place, tuple(commands)
        self._run_command = run or self._suspended
        self._cases: dict[str, IndexedCase] = {}
        self._purging: Path | None = None

    def compose(self) -> ComposeResult:
        yield Static(id="title", markup=False)
        yield DataTable(cursor_type="row", zebra_stripes=False)
        yield Static(id="foot", markup=False)

    def on_mount(self) -> None:
        """Read the folder."""
        self.action_read()
        self.query_one(DataTable).focus()

    # ------------------------------------------------------------------ the list

    def action_read(self) -> None:
        """Read the folder again."""
        self._say("reading …")
        self._read_all()

    @work(thread=True, exclusive=True)
    def _read_all(self) -> None:
        worker = get_current_worker()
        found: list[IndexedCase] = []
        for folder in shelf(self._place):
            if worker.is_cancelled:
                return
            found.append(shelved(folder))
            if len(found) % STEP == 0:
                self.call_from_thread(self._say, f"reading … {len(found)}")
        self.call_from_thread(self._fill, found)

    def _fill(self, found: Sequence[IndexedCase]) -> None:
        """Put the cases into the table, with the same one chosen as before."""
        chosen = self._chosen()
        self._cases = {str(case.folder): case for case in found}
        rows = [_cells(case) for case in found]
        table = self.query_one(DataTable)
        table.clear(columns=True)
        for name, cells in zip(COLUMNS, zip(COLUMNS, *rows, strict=True), strict=True):
            table.add_column(name, key=name, width=max(map(cell_len, cells)))
        for folder, cells in zip(self._cases, rows, strict=True):
            # Text, not strings: what stands in a file is no markup.
            table.add_row(*map(Text, cells), key=folder)
        if chosen and str(chosen.folder) in self._cases:
            table.move_cursor(row=table.get_row_index(str(chosen.folder)))
        self.on_data_table_row_highlighted()

    def _chosen(self) -> IndexedCase | None:
        table = self.query_one(DataTable)
        if not table.row_count:
            return None
        row, _ = table.coordinate_to_cell_key(table.cursor_coordinate)
        return self._cases.get(str(row.value))

    def _say(self, what: str, style: str = "$urgent") -> None:
        many = len(self._cases)
        found = f"{many} case{'' if many == 1 else 's'} in {clean(str(self._place))}"
        broken = sum(case.standing == "damaged" for case in self._cases.values())
        if broken:
            found += f", {broken} DAMAGED"
        title = Content.assemble(("CASES  ", "bold $heading"), found, "\n", (clean(what), style))
        self.query_one("#title", Static).update(title)
        caution = CAUTION if self.size.width > len(CAUTION) + 2 else CAUTION_IN_SHORT
        parts: list[tuple[str, str]] = [(f"{caution}\n", "$quiet"), ("Enter", "bold $heading")]
        parts.append((" open  ", "$quiet"))
        for key in KEYS:
            if self._offered(key.action):
                parts += [
                    (key.key_display or key.key, "bold $heading"),
                    (f" {key.description}  ", "$quiet"),
                ]
        self.query_one("#foot", Static).update(Content.assemble(*parts))

    def _offered(self, action: str) -> bool:
        command = "purge" if action == "purge" else action.removeprefix("do('").removesuffix("')")
        return command in self._commands or command in ("begin", "read", "quit")

    # ------------------------------------------------------------------ what can be done

    def on_data_table_row_selected(self) -> None:
        """Enter: what suits the case best."""
        case = self._chosen()
        if case:
            self.action_do(SUITS.get(case.standing, ""))

    def action_told_q(self) -> None:
        """Ctrl-C leaves nothing: it says which key does."""
        self._say("Ctrl-C does nothing here: q leaves the desk")

    def action_begin(self) -> None:
        """Begin a new case, by its briefing."""
        self._go(["listen", "--cases", str(self._place)])

    def action_do(self, command: str) -> None:
        """Runs a command on the chosen case."""
        case = self._chosen()
        if case is None or (command and not self._offered(f"do('{command}')")):
            return
        if case.standing == "damaged":
            self._say(f"{case.folder.name} cannot be read: {case.trouble}")
            return
        # Whether a locked case was broken off can be seen once its passphrase is given.
        if command == "resume" and case.standing not in ("broken off", "locked"):
            self._say(f"{case.folder.name} is {case.standing}: only what was broken off goes on")
            return
        self._go([command, str(case.folder)])

    def action_purge(self) -> None:
        """Ask before sound is removed for good."""
        case = self._chosen()
        if case is None or "purge" not in self._commands:
            return
        if case.standing == "running":
            self._say(f"{case.folder.name} is running: end it first")
            return
        self._purging = case.folder
        self._say(f"REMOVE the sound of {case.folder.name} for good? y: yes; Esc: no")

    def action_yes(self) -> None:
        """Purges what was asked for."""
        folder, self._purging = self._purging, None
        if folder is not None:
            self._go(["purge", str(folder), "--yes"])  # asked here

    def action_no(self) -> None:
        """Leave the sound where it is."""
        if self._purging is not None:
            self._purging = None
            self._say("nothing was removed")

    def on_data_table_row_highlighted(self) -> None:
        """Another case: a question about the one before falls away; a damaged one says why."""
        self._purging = None
        case = self._chosen()
        if case is None:
            self._say("no case yet: n begins one", "$ink")
        elif case.standing == "damaged":
            self._say(f"{case.folder.name}: {case.trouble}")
        else:
            self._say(f"chosen: {case.folder.name}, {MARKS[case.standing]}", "$ink")

    def _go(self, arguments: Sequence[str]) -> None:
        printed = self._run_command(arguments, arguments[0] in PAGES)
        if printed:
            self.push_screen(Pager(printed))
        self.action_read()

    def _suspended(self, arguments: Sequence[str], read: bool) -> str:
        command = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
        # What it says of the case besides belongs to the page; a passphrase is asked on the terminal.
        aside: Any = {
            "stdout": subprocess.PIPE,
            "stderr": subprocess.STDOUT,
            "env": {**os.environ, "COLUMNS": str(self.size.width - MARGIN)},
        }
        with self.suspend():
            with lent_terminal(sys.__stdin__.fileno() if sys.__stdin__ else 0):
                done = subprocess.run(
                    [*command, *arguments], check=False, text=True, **(aside if read else {})
                )
            if read and done.returncode:
                print(clean_lines(done.stdout))
            if done.returncode < 0:
                print(f"{LEAVE}{arguments[0]} was killed: what it had shown of the case is kept")
            if done.returncode or arguments[0] == "purge":  # which says what it removed
                with suppress(KeyboardInterrupt, EOFError):
                    input("\nEnter goes back to the desk ")
        return "" if done.returncode else done.stdout or ""


def _cells(case: IndexedCase) -> tuple[str, ...]:
    cells = (
        case.began.replace("T", " ")[:16],
        KINDS[case.drill] if case.began else "",
        MARKS[case.standing],
        clock(case.length_s) if case.said or case.length_s else "",
        str(case.said or ""),
        case.sound if case.standing in ("running", "ended", "broken off") else "",
        case.protocol,
        f"{case.folder.name}  {case.trouble}",
    )
    return tuple(map(clean, cells))


def run_desk(place: Path, commands: Sequence[str]) -> None:
    """Show the desk until its user quits."""
    Desk(place, commands, colours=load_settings().theme).run()
