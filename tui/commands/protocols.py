"""The commands `check` and `judge`, which try a protocol without sound."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from grammar.errors import UserError
from tui.commands.shared import Commands
from tui.text.wording import clean_lines


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    one = commands.add_parser("check", help="what a protocol lets people say, or what is wrong")
    which = one.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "protocol", nargs="?", help="a shipped protocol's name, or the path of a TOML file"
    )
    which.add_argument("--new", type=Path, metavar="FILE", help="write a commented template")
    one.add_argument(
        "--model",
        nargs="?",
        type=Path,
        const=Path(),
        metavar="DIR",
        help="name the words that a published model lacks; no DIR: the installed one",
    )
    one.set_defaults(run=check)
    one = commands.add_parser("judge", help="judge a written dialogue, without sound")
    one.add_argument("dialogue", help="the path of a TOML file")
    one.add_argument("--json", action="store_true", help="the summary as one JSON line")
    one.set_defaults(run=judge)


def check(wanted: argparse.Namespace) -> None:
    """Say what a protocol lets people say, or what is wrong with it; or begin a new one."""
    from tui.commands import check_report as checking  # noqa: PLC0415

    if wanted.new:
        told = checking.write_new(wanted.new)
    elif wanted.model is not None:
        folder = wanted.model if wanted.model.name else None
        told = checking.check_model(wanted.protocol, folder)
    else:
        told = checking.check(wanted.protocol)
    print(clean_lines(told))


def judge(wanted: argparse.Namespace) -> None:
    """Judge a written dialogue."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from grammar.reports.summary import summary_json  # noqa: PLC0415
    from grammar.reports.written_dialogue import judge as judged  # noqa: PLC0415
    from grammar.reports.written_dialogue import parse_dialogue  # noqa: PLC0415
    from tui.commands.judged_dialogue import page  # noqa: PLC0415

    try:
        text = Path(wanted.dialogue).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{wanted.dialogue}: cannot be read ({error})") from None
    dialogue = parse_dialogue(text, wanted.dialogue)
    protocol = load_protocol(dialogue.protocol)
    utterances, view = judged(protocol, dialogue)
    if wanted.json:
        print(json.dumps(summary_json(view), ensure_ascii=False))
        return
    print(clean_lines(page(protocol, utterances, view)))
