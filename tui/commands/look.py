"""The commands `view`, which follows a case that is heard elsewhere, and `desk`, the list of cases."""

from __future__ import annotations

import argparse
import sys

from grammar.errors import UserError
from tui.commands.shared import Commands, altered_option, case_argument, cases_option, passphrase_of


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    one = commands.add_parser("view", help="follow a running case from another terminal, read-only")
    case_argument(one)
    one.add_argument(
        "--serve", action="store_true", help="in a browser on this machine (extra `web`)"
    )
    one.add_argument(
        "--port", type=int, default=0, metavar="N", help="for --serve; any free one if not given"
    )
    altered_option(one)
    one.set_defaults(run=look)
    one = commands.add_parser("desk", help="the list of cases: begin, go on, replay, purge")
    cases_option(one)
    one.set_defaults(run=desk, commands=commands)


def look(wanted: argparse.Namespace) -> None:
    """Follow a case."""
    from listener.storage.case_reader import open_case  # noqa: PLC0415

    passphrase = passphrase_of(wanted, wanted.case)
    if not wanted.serve:
        from tui.dashboard.case_view import view  # noqa: PLC0415

        view(wanted.case, passphrase, even_if_altered=wanted.even_if_altered)
        return
    try:
        from tui.dashboard.browser import serve  # noqa: PLC0415
    except ImportError:
        raise UserError("a browser needs the extra `web`: pip install 'answerback[web]'") from None
    if passphrase is not None and wanted.passphrase_file is None:
        raise UserError("a browser cannot be asked for the passphrase: use --passphrase-file")
    stored = open_case(wanted.case, passphrase, even_if_altered=wanted.even_if_altered)
    title = stored.protocol.protocol.title
    arguments = ["view", str(wanted.case.absolute())]
    arguments += ["--even-if-altered"] if wanted.even_if_altered else []
    if wanted.passphrase_file is not None:
        arguments += ["--passphrase-file", str(wanted.passphrase_file.absolute())]
    serve(arguments, wanted.port, title)


def desk(wanted: argparse.Namespace) -> None:
    """Show the list of cases."""
    from tui.dashboard.desk import run_desk  # noqa: PLC0415

    if not sys.stdout.isatty():
        raise UserError("there is no terminal to draw on: the desk needs one")
    run_desk(wanted.cases, tuple(wanted.commands.choices))
