"""`export`: a case in a format that other programs read."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from grammar.errors import UserError
from tui.commands.shared import Commands, altered_option, case_argument, opened, replace_option

if TYPE_CHECKING:
    from listener.storage.case_reader import StoredCase

FORMATS = ("csv", "jsonl", "vtt", "fhir", "md")


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("export", help="a case for a spreadsheet, a video, a record system")
    case_argument(one)
    altered_option(one)
    one.add_argument("--as", dest="format", choices=FORMATS, required=True)
    one.add_argument("--out", type=Path, metavar="FILE", help="instead of standard output")
    replace_option(one)
    one.add_argument(
        "--offset",
        type=_seconds,
        metavar="SECONDS",
        help="of vtt: how far into the video the case begins; negative where the video began later",
    )
    one.set_defaults(run=export)


def export(wanted: argparse.Namespace) -> None:
    """Write the case to standard output or to a new file of its user's own."""
    if wanted.offset is not None and wanted.format != "vtt":
        raise UserError("--offset goes with --as vtt: no other format stands beside a video")
    text = written(opened(wanted), wanted.format, wanted.offset or 0.0)
    if wanted.out is None:
        # As they are: the rows of a spreadsheet end in CR LF on every machine.
        sys.stdout.buffer.write(text.encode())
        sys.stdout.buffer.flush()
    else:
        from listener.storage.output_file import write_output  # noqa: PLC0415

        write_output(wanted.out, text.encode(), replace=wanted.replace)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not abs(seconds) <= 86_400:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of seconds within a day')
    return seconds


def written(stored: StoredCase, form: str, offset_s: float = 0.0) -> str:
    """Return the case in one of `FORMATS`."""
    from tui.export import csv, fhir, jsonl, md, vtt  # noqa: PLC0415
    from tui.export.exported_case import exported_case  # noqa: PLC0415

    case = exported_case(stored)
    writers: dict[str, Callable[[], str]] = {
        "csv": lambda: csv.write(case),
        "jsonl": lambda: jsonl.write(case),
        "vtt": lambda: vtt.write(case, offset_s),
        "fhir": lambda: fhir.write(case, stored),
        "md": lambda: md.write(case, stored),
    }
    return writers[form]()
