"""The command line: puts the parser together from `tui/commands/`, runs a command, and turns errors
into sentences.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import Any

from grammar.errors import UserError
from tui.commands import (
    again,
    bench,
    evidence,
    export,
    hear,
    look,
    models,
    pages,
    protocols,
    radio,
    review,
    team,
)
from tui.text.wording import clean_lines

CAUTION = (
    "A training and documentation aid: not a medical device, no alarm system. Follow local policy and"
    " licensed practice; people remain responsible for hearing each other."
)

COMMANDS = (
    hear,
    look,
    pages,
    protocols,
    radio,
    team,
    review,
    export,
    again,
    evidence,
    bench,
    models,
)
"""The modules that bring commands, in the order of `--help`."""


class _Version(argparse.Action):
    """Finds the version out only when it is asked for: that takes longer than most commands' start."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from importlib.metadata import version  # noqa: PLC0415

        from listener.storage.database import SCHEMA_VERSION  # noqa: PLC0415

        print(f"answerback {version('answerback')} (cases: schema {SCHEMA_VERSION})")
        parser.exit()


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0 when it did its work, 2 for an error that a user can mend;
    `verify` also returns 1."""
    wanted = parser().parse_args(argv)
    try:
        code: int | None = wanted.run(wanted)
    except UserError as error:
        print(clean_lines(str(error)), file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Whoever read the results has gone; the facts are on disk.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return code or 0


def parser() -> argparse.ArgumentParser:
    """Return the parser of every command with its options; each carries the function that runs it
    as `run`."""
    whole = argparse.ArgumentParser(
        prog="answerback",
        description="Logs closed-loop communication by voice. " + CAUTION,
    )
    whole.add_argument(
        "--version",
        action=_Version,
        nargs=0,
        help="print the version of the program and of the cases that it writes, and exit",
    )
    commands = whole.add_subparsers(required=True, metavar="COMMAND")
    for module in COMMANDS:
        module.add(commands)
    return whole


if __name__ == "__main__":
    sys.exit(main())
