"""`replay` and `debrief`: stored cases looked at again."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from tui.commands.shared import (
    Commands,
    altered_option,
    case_argument,
    opened,
    passphrase_file_option,
    replace_option,
)


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    one = commands.add_parser("replay", help="a stored case on the dashboard, with its sound")
    case_argument(one)
    altered_option(one)
    one.add_argument("--at", type=_moment, default=0.0, metavar="TIME", help="such as 3:25")
    one.add_argument("--speed", type=_speed, default=1.0, metavar="N", help="0.5 to 8 times")
    one.add_argument("--mute", action="store_true", help="play no sound")
    one.set_defaults(run=replay)
    one = commands.add_parser("debrief", help="what a case comes to, or many, for the team to see")
    one.add_argument(
        "cases", nargs="+", type=Path, metavar="CASE", help="case folders, or folders of them"
    )
    one.add_argument(
        "--html", type=Path, metavar="FILE", help="one page that opens offline and prints"
    )
    one.add_argument("--sound", action="store_true", help="carry the moments' sound in the page")
    one.add_argument("--json", action="store_true", help="the numbers as one line of JSON")
    one.add_argument(
        "--before",
        type=_date,
        metavar="DATE",
        help="compare cases before this day with those after",
    )
    one.add_argument(
        "--join-teams", action="store_true", help="lines over time may go from one team to another"
    )
    one.add_argument("--cluster", metavar="ADDRESS", help="a Dask scheduler that reads the cases")
    replace_option(one)
    altered_option(one)
    passphrase_file_option(one)
    one.set_defaults(run=debrief)


def replay(wanted: argparse.Namespace) -> None:
    """Show a stored case on the dashboard."""
    from tui.dashboard.replay import run_replay  # noqa: PLC0415

    run_replay(opened(wanted), wanted.at, wanted.speed, wanted.mute)


def debrief(wanted: argparse.Namespace) -> None:
    """Show what stored cases come to."""
    from tui.commands.debrief_report import run_debrief  # noqa: PLC0415

    run_debrief(wanted)


def _moment(text: str) -> float:
    from tui.text.moment import moment  # noqa: PLC0415

    try:
        return moment(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is no date: write 2026-01-31') from None


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.5 <= speed <= 8:
        raise argparse.ArgumentTypeError("a speed lies between 0.5 and 8 times")
    return speed
