"""The command line: one small function a command."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from importlib.resources import as_file, files
from pathlib import Path
from typing import BinaryIO

from platformdirs import user_data_path

from grammar.errors import UserError
from listener.blocks import Source
from listener.sources import AudioFile, RawPcm
from tui.listening import Listening, Wishes, print_line, run_dashboard, run_headless

CAUTION = (
    "A training and documentation aid: not a medical device, no alarm system. Follow local policy and"
    " licensed practice; people remain responsible for hearing each other."
)
SAMPLES = ("quick-clip", "well-run-drill", "faulty-drill")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. 0 when it did its work, 2 for what a user can mend."""
    wanted = _parser().parse_args(argv)
    try:
        wanted.run(wanted)
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Whoever read the results has gone; the facts are on disk.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return 0


def listen(wanted: argparse.Namespace) -> None:
    """Hear a microphone, a file, or PCM on standard input."""
    source: Source
    if wanted.audio == "-":
        source = RawPcm(sys.stdin.buffer if wanted.json else _sound_beside_keys())
    elif wanted.audio is not None:
        source = AudioFile(Path(wanted.audio))
    else:
        from listener.microphone import Microphone  # noqa: PLC0415  (PortAudio only when asked for)

        source = Microphone()
    _hear(source, wanted)


def demo(wanted: argparse.Namespace) -> None:
    """Hear a sample drill."""
    sample = files("sample_audio_synthetic") / f"{wanted.sample}.flac"
    wanted.weight_kg = wanted.weight_kg or 70.0
    with as_file(sample) as path:
        _hear(AudioFile(path), wanted)


def check(wanted: argparse.Namespace) -> None:
    """Say what a protocol lets people say, or what is wrong with it; or begin a new one."""
    from tui import checking  # noqa: PLC0415

    print(checking.write_new(wanted.new) if wanted.new else checking.check(wanted.protocol))


def judge(wanted: argparse.Namespace) -> None:
    """Judge a written dialogue."""
    from grammar.dialogue import judge as judged  # noqa: PLC0415
    from grammar.dialogue import parse_dialogue  # noqa: PLC0415
    from grammar.loading import load  # noqa: PLC0415
    from grammar.summary import summary_json  # noqa: PLC0415
    from tui.judging import page  # noqa: PLC0415

    try:
        text = Path(wanted.dialogue).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{wanted.dialogue}: cannot be read ({error})") from None
    dialogue = parse_dialogue(text, wanted.dialogue)
    protocol = load(dialogue.protocol)
    utterances, view = judged(protocol, dialogue)
    if wanted.json:
        print(json.dumps(summary_json(view), ensure_ascii=False))
        return
    print(page(protocol, utterances, view))


def _sound_beside_keys() -> BinaryIO:
    """Standard input as sound, where the dashboard needs the terminal for its keys."""
    if sys.stdin.isatty():
        raise UserError("there is no sound on standard input: pipe 16 kHz s16le PCM into it")
    sound = os.fdopen(os.dup(sys.stdin.fileno()), "rb")
    try:
        terminal = os.open("/dev/tty", os.O_RDONLY)
    except OSError:
        raise UserError("there is no terminal to draw on: use --json") from None
    os.dup2(terminal, sys.stdin.fileno())
    os.close(terminal)
    return sound


def _hear(source: Source, wanted: argparse.Namespace) -> None:
    pace = wanted.pace or ("fast" if wanted.json else "real")
    wishes = Wishes(
        protocol=wanted.protocol,
        weight_kg=wanted.weight_kg,
        recogniser=wanted.recogniser,
        model=wanted.model,
        cases=wanted.cases,
        record=wanted.audio_kept,
        real_pace=pace == "real",
    )
    listening = Listening(source, wishes)
    if wanted.json:
        listening.tell_line = print_line
        run_headless(listening)
    else:
        run_dashboard(listening)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="answerback",
        description="Logs closed-loop communication by voice. " + CAUTION,
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    hear = argparse.ArgumentParser(add_help=False)
    _hearing_options(hear)
    one = commands.add_parser("demo", parents=[hear], help="hear a sample drill")
    one.add_argument("sample", nargs="?", choices=SAMPLES, default="faulty-drill")
    one.set_defaults(run=demo)
    one = commands.add_parser("listen", parents=[hear], help="hear a microphone, a file, or PCM")
    one.add_argument(
        "audio", nargs="?", help="a WAV or FLAC file, or - for 16 kHz s16le PCM; none: microphone"
    )
    one.set_defaults(run=listen)
    one = commands.add_parser("check", help="what a protocol lets people say, or what is wrong")
    which = one.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "protocol", nargs="?", help="a shipped protocol's name, or the path of a TOML file"
    )
    which.add_argument("--new", type=Path, metavar="FILE", help="write a commented template")
    one.set_defaults(run=check)
    one = commands.add_parser("judge", help="judge a written dialogue, without sound")
    one.add_argument("dialogue", help="the path of a TOML file")
    one.add_argument("--json", action="store_true", help="the summary as one JSON line")
    one.set_defaults(run=judge)
    return parser


def _hearing_options(parser: argparse.ArgumentParser) -> None:
    cases = user_data_path("answerback", appauthor=False) / "cases"
    parser.add_argument("--protocol", default="isolation-airway", metavar="NAME|FILE")
    parser.add_argument("--weight-kg", type=_weight, metavar="N", help="the patient's weight")
    parser.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    parser.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    parser.add_argument("--cases", type=Path, default=cases, metavar="DIR", help="where cases go")
    parser.add_argument("--json", action="store_true", help="JSON lines instead of the dashboard")
    parser.add_argument("--pace", choices=("fast", "real"), help="of a file; fast with --json")
    parser.add_argument(
        "--no-audio", dest="audio_kept", action="store_false", help="record no sound"
    )


def _weight(text: str) -> float:
    try:
        weight = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a number of kilograms') from None
    if not 0 < weight < 700:
        raise argparse.ArgumentTypeError("a weight lies between 0 and 700 kg")
    return weight
