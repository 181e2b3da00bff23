"""Options that several commands take."""

from __future__ import annotations

import argparse
import sys
from getpass import getpass
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from platformdirs import user_data_path

from grammar.errors import UserError
from listener.storage.passphrase import is_locked

if TYPE_CHECKING:
    from listener.storage.case_reader import StoredCase

# argparse keeps the type of what add_subparsers gives to itself, and it is generic to checkers only.
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

TWO_EARS = (
    "quick ear: hears each call at once; sure ear: trained on people, hears it again a second later"
)
"""The two hearings in plain words, where a command first names them."""

USUAL_PROTOCOL = "isolation-airway"
"""The protocol where none is named."""


def cases_option(parser: argparse.ArgumentParser) -> None:
    """`--cases DIR`: where case folders are kept."""
    cases = user_data_path("answerback", appauthor=False) / "cases"
    parser.add_argument("--cases", type=Path, default=cases, metavar="DIR", help="where cases go")


def weight_option(parser: argparse.ArgumentParser) -> None:
    """`--weight-kg N`."""
    parser.add_argument("--weight-kg", type=_weight, metavar="N", help="the patient's weight")


def _weight(text: str) -> float:
    try:
        weight = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of kilograms') from None
    if not 0 < weight < 700:
        raise argparse.ArgumentTypeError("a weight lies between 0 and 700 kg")
    return weight


def case_argument(parser: argparse.ArgumentParser) -> None:
    """`CASE`, and `--passphrase-file FILE` for one that is locked."""
    parser.add_argument("case", type=Path, metavar="CASE", help="a case folder")
    passphrase_file_option(parser)


def altered_option(parser: argparse.ArgumentParser) -> None:
    """`--even-if-altered`, for commands that read a case."""
    parser.add_argument(
        "--even-if-altered",
        action="store_true",
        help="read a case that was changed after it was stored, and say so on what is made of it",
    )


def opened(wanted: argparse.Namespace) -> StoredCase:
    """Return the case that `case_argument` asked for; what a crash took from it is told on standard
    error.

    Raises UserError where it cannot be read.
    """
    return opened_in(wanted, wanted.case)


def opened_in(wanted: argparse.Namespace, folder: Path) -> StoredCase:
    """Open the case in a folder as `opened` does."""
    from listener.storage.case_reader import open_case  # noqa: PLC0415
    from tui.commands.progress import reading  # noqa: PLC0415
    from tui.text.wording import clean  # noqa: PLC0415

    passphrase = passphrase_of(wanted, folder)
    with reading(folder.name) as progress:
        stored = open_case(
            folder, passphrase, even_if_altered=wanted.even_if_altered, progress=progress
        )
    if stored.integrity.altered:
        print(clean(f"{folder}: {stored.integrity.told}"), file=sys.stderr)
    if stored.integrity.lacking:
        print(clean(f"{folder}: {stored.integrity.lacking}"), file=sys.stderr)
    for sentence in stored.missing:
        print(clean(sentence), file=sys.stderr)
    return stored


def replace_option(parser: argparse.ArgumentParser) -> None:
    """`--replace`, for commands that write a file by `listener.storage.output_file`."""
    parser.add_argument(
        "--replace", action="store_true", help="put the new file in place of one that exists"
    )


def passphrase_file_option(parser: argparse.ArgumentParser) -> None:
    """`--passphrase-file FILE`."""
    parser.add_argument(
        "--passphrase-file",
        type=Path,
        metavar="FILE",
        help="a locked case's passphrase, the first line of FILE; without it you are asked",
    )


def passphrase_of(wanted: argparse.Namespace, case: Path) -> str | None:
    """Return the passphrase of a case that is locked; None where it is not. Raises UserError."""
    if not is_locked(case):
        return None
    if wanted.passphrase_file is not None:
        return passphrase_in(wanted.passphrase_file)
    return getpass(f"passphrase of {case.name}: ") if sys.stdin.isatty() else None


def passphrase_in(path: Path) -> str:
    """Return the first line of a file. Raises UserError where that cannot be read or is empty."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise UserError(f"{path}: no passphrase can be read from it") from None
    if not lines or not lines[0]:
        raise UserError(f"{path}: its first line is empty, and no passphrase")
    return lines[0]


def new_passphrase(what: str = "the case") -> str:
    """Return a passphrase for `what`, asked for twice. Raises UserError where there is nobody to ask, or
    they differ."""
    if not sys.stdin.isatty():
        raise UserError("there is nobody to ask for a passphrase: use --passphrase-file FILE")
    first = getpass(f"a passphrase for {what}: ")
    if getpass("once more: ") != first:
        raise UserError("the two passphrases differ: nothing was begun")
    return first
