"""The command `radio-check`, which tries a set-up before a case."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tui.commands.shared import Commands
from tui.commands.sound import device_option, listed, source_of


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("radio-check", help="try microphone, level and noise before a case")
    one.add_argument("audio", nargs="?", help="as for listen; none: microphone")
    device_option(one)
    one.add_argument("--protocol", default="isolation-airway", metavar="NAME|FILE")
    one.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    one.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    one.add_argument("--json", action="store_true", help="the verdict as one JSON line")
    one.set_defaults(run=radio_check)


NO_ORDER = "The phrases are words to try the sound with; nobody acts on them."


def radio_check(wanted: argparse.Namespace) -> None:
    """Ask for phrases on standard error, and print the verdict on standard output."""
    if listed(wanted):
        return
    from grammar.language.phrases import network  # noqa: PLC0415
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from listener.confidence.supervised_sure_ear import start_sure_ear  # noqa: PLC0415
    from listener.recognition.engines import choose  # noqa: PLC0415
    from tui.commands import radio_check_report as radio_checking  # noqa: PLC0415

    protocol = load_protocol(wanted.protocol)
    source = source_of(wanted.audio, wanted.device, (), keys=False)
    recogniser = choose(
        wanted.recogniser,
        network(protocol),
        protocol.pronunciations,
        model_dir=wanted.model,
        language=protocol.protocol.language,
    )
    print(NO_ORDER, file=sys.stderr)
    sure = start_sure_ear(protocol)
    try:
        verdict = radio_checking.radio_check(source, recogniser, protocol, ask=_ask, sure=sure)
    finally:
        if sure:
            sure.close()
    if wanted.json:
        print(json.dumps(radio_checking.as_json(verdict), ensure_ascii=False))
    else:
        print(radio_checking.as_text(verdict))


def _ask(phrase: str) -> None:
    print(f"say: {phrase}", file=sys.stderr, flush=True)
