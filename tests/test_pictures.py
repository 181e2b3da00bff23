"""Pictures of the dashboard, compared with those that were looked at and accepted.

`pytest tests/test_pictures.py --snapshot-update` draws them anew: look at each before it is kept.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from screens import Desk, case, heard, status
from test_acting import SAID
from test_dashboard import DRILL

from grammar.facts import CaseEnded
from tui.dashboard import Dashboard
from tui.settings import Settings

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


@pytest.mark.parametrize("size", SIZES)
def test_calls_wait_differ_and_are_unsure(snap_compare: Any, size: str) -> None:
    assert snap_compare(Desk(case(*DRILL), 70).app, terminal_size=SIZES[size])


@pytest.mark.parametrize("theme", ["bright", "contrast"])
def test_other_light(snap_compare: Any, theme: Any) -> None:
    app = Desk(case(*DRILL), 70, settings=Settings(theme=theme)).app
    assert snap_compare(app, terminal_size=SIZES["middle"])


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("palette", ["c"]),
        ("dose", ["c", "g", "k", "7", "0"]),
        ("vital", ["v", "s", "9", "4", "0", "enter"]),
        ("put-right", ["a"]),
        ("timers", ["t"]),
        ("ticks", ["k", "s"]),
        ("heard", ["h"]),
        ("leave", ["q"]),
        ("help", ["question_mark"]),
        ("scrolled-back", ["home"]),
        ("paused", ["r"]),
    ],
    ids=lambda each: each if isinstance(each, str) else "",
)
def test_what_a_key_opens(snap_compare: Any, name: str, keys: list[str]) -> None:
    size = SIZES["small" if name in ("palette", "help", "put-right") else "middle"]
    assert snap_compare(
        Desk(case(*SAID, *DRILL[-3:]), 70).app, press=[*keys, "wait:400"], terminal_size=size
    )


def test_nothing_has_been_said_yet(snap_compare: Any) -> None:
    assert snap_compare(Desk(case(), 3).app, terminal_size=SIZES["middle"])


def test_the_case_has_ended_with_calls_open(snap_compare: Any) -> None:
    ended = case(heard(10, "room ready", "anteroom"), CaseEnded(t=60))
    app = Desk(ended, 60, status(ended=True)).app
    assert snap_compare(app, terminal_size=SIZES["middle"])


def test_listening_broke_off(snap_compare: Any) -> None:
    assert snap_compare(Desk(case(*DRILL), 70, BROKEN).app, terminal_size=SIZES["middle"])


def test_a_second_screen_only_shows(snap_compare: Any) -> None:
    app = Desk(case(*DRILL), 70, only_shows=True).app
    assert snap_compare(app, terminal_size=SIZES["middle"])
