"""Pictures of the briefing, the desk and the handover, compared with those that were looked at.

`pytest tests/tui/dashboard/test_desk_pictures.py --snapshot-update` draws them anew: look at each
before it is kept.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from textual.app import App

from listener.audio.level_check import LevelCheck
from tests.support.screens import ShownCase, case, protocol
from tests.tui.dashboard.test_dashboard import DRILL
from tests.tui.dashboard.test_desk import COMMANDS, Told, place  # noqa: F401  (a fixture)
from tests.tui.dashboard.test_replay import Seen, folder  # noqa: F401  (a fixture)
from tui.dashboard.desk import Desk
from tui.dashboard.preflight import Preflight
from tui.pages.handover import handover_page
from tui.pages.page import as_text
from tui.pages.pager import MARGIN, Pager

pytestmark = pytest.mark.usefixtures("only_looked_at")
FONT = re.compile(r"@font-face \{.*?\}", re.DOTALL)
SIZES = {"small": (80, 24), "middle": (100, 30), "large": (160, 48)}


@pytest.fixture(autouse=True)
def own_font(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the fonts that whoever opens a picture would fetch from the network."""
    export = App.export_screenshot
    monkeypatch.setattr(
        App, "export_screenshot", lambda self, **options: FONT.sub("", export(self, **options))
    )


class Still(LevelCheck):
    """A microphone of one level."""

    def start(self) -> None:
        self.name, self.levels, self.loudest = "microphone in the room", (-23.0,), -20.0


@pytest.mark.parametrize("size", SIZES)
def test_a_briefing_with_a_microphone(snap_compare: Any, size: str) -> None:
    app = Preflight(
        protocol(),
        weight_kg=70,
        record=True,
        check=Still(lambda: pytest.fail("no sound is wanted")),
    )
    assert snap_compare(app, terminal_size=SIZES[size])


def test_a_briefing_in_which_consent_is_written_and_nothing_recorded(snap_compare: Any) -> None:
    app = Preflight(protocol(), weight_kg=None, record=False, check=None, source="drill.flac")
    keys = ["n", *"asked", "enter", "w"]
    assert snap_compare(app, terminal_size=SIZES["middle"], press=keys)


@pytest.mark.parametrize("size", SIZES)
def test_the_desk(
    snap_compare: Any,
    place: Path,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
    size: str,
) -> None:
    monkeypatch.chdir(place.parent)
    app = Desk(Path(place.name), COMMANDS, Told())

    async def settled(pilot: Any) -> None:
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        pilot.app._place = Path("cases")
        pilot.app.on_data_table_row_highlighted()

    assert snap_compare(app, terminal_size=SIZES[size], run_before=settled)


@pytest.mark.parametrize("size", SIZES)
def test_a_page_read_on_the_desk(snap_compare: Any, size: str) -> None:
    class Reading(Desk):
        def on_mount(self) -> None:
            page = handover_page(protocol(), case(*DRILL).view(70))
            self.push_screen(Pager(as_text(page, SIZES[size][0] - MARGIN)))

    assert snap_compare(Reading(Path("none"), COMMANDS, Told()), terminal_size=SIZES[size])


@pytest.mark.parametrize("size", SIZES)
def test_a_case_replayed(snap_compare: Any, folder: Path, size: str) -> None:  # noqa: F811
    at = Seen(folder, 57.0)
    at.app._wall = lambda: datetime(2025, 1, 1, 14, 5, 33)
    keys = ["question_mark"] if size == "middle" else ["f"]
    assert snap_compare(at.app, terminal_size=SIZES[size], press=[*keys, "wait:400"])


@pytest.mark.parametrize("size", SIZES)
def test_the_handover_over_the_dashboard(snap_compare: Any, size: str) -> None:
    app = ShownCase(case(*DRILL), 70).app
    assert snap_compare(app, terminal_size=SIZES[size], press=["o", "wait:400"])
