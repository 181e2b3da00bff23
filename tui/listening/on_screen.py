"""A case that is heard, behind the dashboard."""

from __future__ import annotations

import sys
from datetime import datetime

from grammar.errors import UserError
from tui.dashboard.app import Dashboard
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.own_terminal import TOO_EARLY, EarlyKeys, own_terminal
from tui.dashboard.settings import load_settings
from tui.listening.case_listening import Listening


def run_dashboard(listening: Listening, early: EarlyKeys, *, ask_weight: bool = False) -> None:
    """Show the dashboard over a running case, until its user quits.

    `early` holds the keys that were struck before; it ends once the screen has gone. With `ask_weight` it
    asks about a weight that may be a slip, which no briefing has asked about.
    """
    if not sys.stdout.isatty():
        raise UserError("there is no terminal to draw on: use --json")
    settings = load_settings()
    spoken = listening.through_air and listening.protocol.protocol.language == "en"
    manual = ManualEntry(
        listening.protocol,
        listening.live.tell,
        lambda: listening.case.facts,
        lambda: listening.live.now,
        play=listening.play if listening.status().recording else None,
        say=listening.say if listening.speaks else None,
        wall=datetime.now,
        silent_because=listening.silent_because,
        read_card=listening.read_card if listening.through_air else None,
        hear_yes=listening.live.hear_yes if spoken else None,
    )
    screen = Dashboard(
        listening.protocol,
        view_at=listening.view,
        clock=lambda: listening.live.now,
        status=listening.status,
        start=listening.start,
        stop=listening.stop,
        manual=manual,
        settings=settings,
        ask_weight=ask_weight,
        hear_out=listening.live.stop,
    )
    if early.dropped():
        screen.first_word = TOO_EARLY
    with own_terminal():
        screen.run()
    early.end()
    listening.close()
