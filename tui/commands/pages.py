"""`brief` and `handover`: a page before a case and one after it, for the terminal or to print."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from tui.commands.shared import (
    Commands,
    altered_option,
    case_argument,
    opened,
    replace_option,
    weight_option,
)

if TYPE_CHECKING:
    from tui.pages.page import Page


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    one = commands.add_parser("brief", help="the sheet on one page: stations, doses, plans, limits")
    one.add_argument("protocol", help="a shipped protocol's name, or the path of a TOML file")
    weight_option(one)
    _html_option(one)
    one.set_defaults(run=brief)
    one = commands.add_parser("handover", help="the summary of a case: record, drugs, open points")
    case_argument(one)
    altered_option(one)
    _html_option(one)
    one.set_defaults(run=hand_over)


def brief(wanted: argparse.Namespace) -> None:
    """Print the briefing of a protocol."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from tui.pages.briefing import briefing  # noqa: PLC0415

    _give(wanted, briefing(load_protocol(wanted.protocol), wanted.weight_kg))


def hand_over(wanted: argparse.Namespace) -> None:
    """Print the handover of a stored case."""
    from tui.pages.handover import handover_page  # noqa: PLC0415

    stored = opened(wanted)
    view = stored.view()
    _give(
        wanted,
        handover_page(
            stored.protocol,
            view,
            facts=stored.facts,
            head=stored.head,
            checked=stored.integrity.told,
        ),
    )


def _give(wanted: argparse.Namespace, page: Page) -> None:
    from listener.storage.output_file import write_output  # noqa: PLC0415
    from tui.pages.page import as_html, as_text  # noqa: PLC0415

    if wanted.html is None:
        print(as_text(page, shutil.get_terminal_size((100, 30)).columns))
    else:
        write_output(wanted.html, as_html(page).encode(), replace=wanted.replace)


def _html_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--html", type=Path, metavar="FILE", help="one HTML file instead, to print")
    replace_option(parser)
