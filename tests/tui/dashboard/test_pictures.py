"""Pictures of the dashboard, compared with those that were looked at and accepted.

`pytest tests/tui/dashboard/test_pictures.py --snapshot-update` draws them anew: look at each before it
is kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Heard
from grammar.language.words import Word
from listener.storage.case_follower import CaseFollower
from listener.storage.case_lock import CaseLock
from listener.storage.journal import Journal
from tests.support.screens import ShownCase, case, heard, status
from tests.tui.dashboard.test_acting import SAID, UNSURE
from tests.tui.dashboard.test_dashboard import DRILL, KETAMINE
from tui.dashboard.app import Dashboard
from tui.dashboard.case_view import dashboard
from tui.dashboard.settings import Settings

pytestmark = pytest.mark.usefixtures("only_looked_at")
FONT = re.compile(r"@font-face \{.*?\}", re.DOTALL)


@pytest.fixture(autouse=True)
def own_font(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the fonts that whoever opens a picture would fetch from the network."""
    export = Dashboard.export_screenshot

    def plain(self: Dashboard, **options: Any) -> str:
        return FONT.sub("", export(self, **options))

    monkeypatch.setattr(Dashboard, "export_screenshot", plain)


SIZES = {"small": (80, 24), "middle": (100, 30), "large": (160, 48)}
BROKEN = status(failure="The microphone was unplugged.", recording=False)


Drawn = Callable[..., bool]


@pytest.fixture
def drawn(snap_compare: Any) -> Drawn:
    """Compares a picture once the screen is drawn in the sizes that its parts have settled on."""

    def compare(app: Dashboard, terminal_size: tuple[int, int], press: Sequence[str] = ()) -> bool:
        same: bool = snap_compare(app, press=[*press, "wait:400"], terminal_size=terminal_size)
        return same

    return compare


@pytest.mark.parametrize("size", SIZES)
def test_calls_wait_differ_and_are_unsure(drawn: Drawn, size: str) -> None:
    assert drawn(ShownCase(case(*DRILL), 70).app, terminal_size=SIZES[size])


@pytest.mark.parametrize("theme", ["bright", "contrast"])
def test_other_light(drawn: Drawn, theme: Any) -> None:
    app = ShownCase(case(*DRILL), 70, settings=Settings(theme=theme)).app
    assert drawn(app, terminal_size=SIZES["middle"])


VIEWS = {
    "palette": ["c"],
    "whom": ["c", "tab"],
    "dose": ["c", "g", "k", "7", "0"],
    "vital": ["v", "s", "9", "4", "0", "enter"],
    "put-right": ["a"],
    "speaker": ["s"],
    "find": ["/", *"ket"],
    "note": ["n", *"leak", "space", *"heard"],
    "timers": ["t"],
    "ticks": ["k", "s"],
    "heard": ["h"],
    "help": ["question_mark"],
}
STATES = {
    "leave": ["q"],
    "scrolled-back": ["home"],
    "paused": ["r"],
    "no-such-letter": ["c", "exclamation_mark"],
    "read-back-otherwise": ["h", "1"],
}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", VIEWS)
def test_what_a_key_opens(drawn: Drawn, name: str, size: str) -> None:
    app = ShownCase(case(*SAID, *DRILL[-3:]), 70).app
    assert drawn(app, press=[*VIEWS[name]], terminal_size=SIZES[size])


@pytest.mark.parametrize("name", STATES)
def test_a_state_that_keys_bring_about(drawn: Drawn, name: str) -> None:
    app = ShownCase(case(*SAID, *DRILL[-3:]), 70).app
    assert drawn(app, press=[*STATES[name]], terminal_size=SIZES["middle"])


def test_a_palette_too_long_for_the_terminal(drawn: Drawn) -> None:
    keys = ["c", *["down"] * 9]
    assert drawn(ShownCase(case(*SAID), 70).app, press=keys, terminal_size=(80, 16))


@pytest.mark.parametrize("size", SIZES)
def test_calls_that_nobody_answered(drawn: Drawn, size: str) -> None:
    app = ShownCase(case(KETAMINE, heard(14, "anteroom send in the bougie", "team-leader")), 95).app
    assert drawn(app, terminal_size=SIZES[size])


COUNTING = (
    heard(2, "pre oxygenation started", "airway-operator"),
    heard(3, "copy", "team-leader"),
    heard(5, "timer sixty", "team-leader"),
    heard(7, "sixty", "outside"),
    heard(9, "timer three minutes", "team-leader"),
    heard(11, "three minutes", "outside"),
    heard(50, "first attempt", "airway-operator"),
    heard(51, "copy", "outside"),
)


@pytest.mark.parametrize("now", [40, 130], ids=["running", "past"])
@pytest.mark.parametrize("size", SIZES)
def test_timers_and_countdowns(drawn: Drawn, size: str, now: float) -> None:
    facts = [fact for fact in COUNTING if fact.t < now]
    assert drawn(ShownCase(case(*facts), now).app, terminal_size=SIZES[size])


@pytest.mark.parametrize("size", SIZES)
def test_three_utterances_are_unsure_while_somebody_speaks(drawn: Drawn, size: str) -> None:
    app = ShownCase(case(*UNSURE), 45, status(partial="drugs nurse give seventy milli")).app
    assert drawn(app, terminal_size=SIZES[size])


def test_nothing_has_been_said_yet(drawn: Drawn) -> None:
    assert drawn(ShownCase(case(), 3).app, terminal_size=SIZES["middle"])


def test_the_disk_takes_nothing(drawn: Drawn) -> None:
    full = ("3 not stored yet: the disk is full", "the sound is not recorded: the disk is full")
    told = status(troubles=full, unrecorded=True, unstored_from=9)
    assert drawn(ShownCase(case(*DRILL), 70, told).app, terminal_size=SIZES["small"])


def test_the_case_has_ended_with_calls_open(drawn: Drawn) -> None:
    ended = case(heard(10, "room ready", "anteroom"), CaseEnded(t=60))
    app = ShownCase(ended, 60, status(ended=True)).app
    assert drawn(app, terminal_size=SIZES["middle"])


def test_listening_broke_off(drawn: Drawn) -> None:
    assert drawn(ShownCase(case(*DRILL), 70, BROKEN).app, terminal_size=SIZES["middle"])


BEGAN = datetime.fromisoformat("2025-01-01T14:04:00+01:00")


def stored(place: Path) -> Path:
    """A case's folder, of an invented day."""
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(place, "isolation-airway", text, began=BEGAN)
    start = CaseStarted(
        wall=BEGAN.isoformat(),
        protocol="isolation-airway",
        weight_kg=70,
        engine="vosk",
        source="microphone",
        recording=True,
    )
    for fact in (start, *DRILL):
        journal.append_next(fact)
    journal.close()
    return journal.folder


def followed(place: Path) -> Dashboard:
    """The second screen of the case there, 80 seconds after it began."""
    (folder,) = place.iterdir()
    wall = BEGAN + timedelta(seconds=80)
    app = dashboard(CaseFollower(folder, lambda: wall))
    app._wall = lambda: wall.replace(tzinfo=None)
    return app


@pytest.mark.parametrize("size", SIZES)
def test_a_second_screen_only_shows(drawn: Drawn, size: str, tmp_path: Path) -> None:
    here = CaseLock(stored(tmp_path))
    assert drawn(followed(tmp_path), terminal_size=SIZES[size])
    here.release()


def test_a_second_screen_of_a_case_that_nobody_hears_any_more(drawn: Drawn, tmp_path: Path) -> None:
    stored(tmp_path)
    assert drawn(followed(tmp_path), terminal_size=SIZES["middle"], press=["m"])


THREE_OPEN = (
    heard(50, "drugs nurse give ketamine ninety milligrams", "team-leader"),
    heard(54, "anteroom send in the bougie", "airway-operator"),
    heard(57, "outside start timer three minutes", "team-leader"),
)
WRONG_BACK = (KETAMINE, heard(15, "ketamine fifteen milligrams", "drugs-nurse"))
CALLED_HELP = Heard(
    t=52, until=53, words=(Word("[unk]", 52, 53, 0.2),), likely="need help", confidence=0.2
)
FIVE: dict[str, tuple[tuple[Fact, ...], list[str]]] = {
    "nothing-open": ((heard(2, "suction on", "airway-operator"),), []),
    "one-unanswered": ((KETAMINE,), []),
    "one-differs": (WRONG_BACK, []),
    "three-open-handover-on-top": (THREE_OPEN, ["o"]),
    "call-for-help-not-understood": ((*WRONG_BACK, CALLED_HELP), []),
}
WIDE = {"80x24": (80, 24), "120x40": (120, 40), "200x60": (200, 60)}


@pytest.mark.parametrize("size", WIDE)
@pytest.mark.parametrize("state", FIVE)
def test_what_the_eye_finds_first(drawn: Drawn, state: str, size: str) -> None:
    facts, keys = FIVE[state]
    app = ShownCase(case(*facts), 60).app
    assert drawn(app, terminal_size=WIDE[size], press=[*keys])
