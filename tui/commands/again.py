"""The command `rehear`, which hears stored sound by another engine, model or protocol and compares."""

from __future__ import annotations

import argparse
from pathlib import Path

from tui.commands.shared import (
    Commands,
    altered_option,
    passphrase_file_option,
    passphrase_in,
    passphrase_of,
)


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("rehear", help="a case's sound through another engine, compared")
    one.description = (
        "Hears a case's recording again into a new case beside it, which names the original, with the"
        " second listener's doubts as when it was first heard; prints where the two hearings differ. A"
        " locked case is opened with its passphrase, and the new one locked with the same."
    )
    one.add_argument("case", type=Path, metavar="CASE", help="a case folder, or a folder of them")
    one.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    one.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    one.add_argument("--protocol", metavar="NAME|FILE", help="instead of each case's own")
    one.add_argument(
        "--cases", type=Path, metavar="DIR", help="where the new cases go; else heard-again beside"
    )
    one.add_argument("--cluster", metavar="ADDRESS", help="a Dask scheduler that hears the cases")
    one.add_argument("--json", action="store_true", help="every pair of utterances as JSON lines")
    altered_option(one)
    passphrase_file_option(one)
    one.set_defaults(run=rehear)


def rehear(wanted: argparse.Namespace) -> None:
    """Hear again, and print where the hearings differ and how far they agree."""
    from listener.rehearing import Again  # noqa: PLC0415
    from tui.commands.rehear_report import hear_all, objects, page  # noqa: PLC0415
    from tui.listening.json_lines import print_line  # noqa: PLC0415

    again = Again(
        wanted.recogniser,
        wanted.model,
        wanted.protocol,
        wanted.cases,
        even_if_altered=wanted.even_if_altered,
    )
    passphrase = passphrase_of(wanted, wanted.case)
    if wanted.passphrase_file is not None:  # those of a folder too
        passphrase = passphrase_in(wanted.passphrase_file)
    found = hear_all(wanted.case, again, wanted.cluster, passphrase)
    if wanted.json:
        for line in objects(found):
            print_line(line)
    else:
        print(page(found))
