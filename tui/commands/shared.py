"""Options that several commands take."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TypeAlias

from platformdirs import user_data_path

# argparse keeps the type of what add_subparsers gives to itself, and it is generic to checkers only.
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


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
