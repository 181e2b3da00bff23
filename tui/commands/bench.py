"""The command `bench`, which measures how well an engine hears a folder of labelled clips."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from grammar.errors import UserError
from tui.commands.shared import TWO_EARS, Commands, replace_option
from tui.text.wording import clean

if TYPE_CHECKING:
    from listener.bench.known_speakers import Recording

CONDITIONS = ("clean", "mask", "radio", "fan10", "fan5")
IN_KITCHEN = ("kitchen12", "kitchen6")
"""For folders that hold a recording of noise; there, instead of the fan."""


OF_SPEAKERS = ("clean", "radio")
_RATES = ("right", "another", "strangers", "best")


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("bench", help="how well labelled clips are heard")
    one.add_argument(
        "folder", type=Path, metavar="DIR", help="clips, each with its truth beside it"
    )
    one.add_argument("--protocol", metavar="NAME|FILE", help="instead of each clip's own")
    one.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    one.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    one.add_argument(
        "--beside",
        action="append",
        default=[],
        metavar="vosk|pocketsphinx|DIR",
        help="this engine, or the published model in DIR, on the same clips; may be repeated",
    )
    one.add_argument(
        "--condition",
        choices=(*CONDITIONS, *IN_KITCHEN),
        action="append",
        help="only this; may be repeated",
    )
    one.add_argument(
        "--ears",
        choices=("both", "quick"),
        default="both",
        help=f"both, where both are installed ({TWO_EARS})",
    )
    one.add_argument("--every", type=_count, default=1, metavar="N", help="each N-th clip only")
    one.add_argument(
        "--from", dest="first", type=_count, default=1, metavar="N", help="from the N-th clip on"
    )
    one.add_argument(
        "--real-pace", type=int, default=20, metavar="N", help="clips that time the delay [20]"
    )
    one.add_argument(
        "--team",
        action="store_true",
        help="recordings of known speakers: who of five spoke, who was a stranger, and, where their words"
        " are known, how they are heard before and after the ear that hears at once is fitted to them",
    )
    one.add_argument(
        "--only", choices=("speakers", "hearing", "delay"), help="with --team: one of its tables"
    )
    one.add_argument("--json", action="store_true", help="the figures as one JSON object")
    one.add_argument("--plot", type=Path, metavar="FILE", help="a picture too, .png or .svg")
    replace_option(one)
    one.set_defaults(run=bench)


def bench(wanted: argparse.Namespace) -> None:
    """Hear the clips and print the figures."""
    from listener.bench.clips import read_folder  # noqa: PLC0415
    from listener.bench.page import page, side_by_side  # noqa: PLC0415
    from listener.bench.run import Wanted, bench_by_ear, usual_conditions  # noqa: PLC0415

    if wanted.team:
        _bench_team(wanted)
        return
    clips = read_folder(wanted.folder)[wanted.first - 1 :: wanted.every]
    if not clips:
        raise UserError(f"{wanted.folder} holds fewer clips than {wanted.first}.")
    if wanted.plot:
        from listener.bench.plot import check  # noqa: PLC0415

        check(wanted.plot, replace=wanted.replace)
    conditions = tuple(wanted.condition or usual_conditions(clips))
    engines = [(wanted.recogniser, wanted.model), *map(_engine, wanted.beside)]
    benches = [
        one
        for recogniser, model in engines
        for one in bench_by_ear(
            clips,
            Wanted(
                recogniser=recogniser,
                model=model,
                protocol=wanted.protocol,
                conditions=conditions,
                real_pace=max(0, wanted.real_pace),
                ears=wanted.ears,
            ),
            _told_now_and_then(),
        )
    ]
    if wanted.plot:
        from listener.bench.plot import draw  # noqa: PLC0415

        draw(benches[0], wanted.plot, replace=wanted.replace)
    if wanted.json:
        found = [one.as_dict() for one in benches]
        print(json.dumps({"engines": found} if len(found) > 1 else found[0], ensure_ascii=False))
    else:
        if any(" ear: " in one.engine for one in benches):
            print(f"{TWO_EARS}.\n")
        print(side_by_side(benches) if len(benches) > 1 else page(benches[0]))


def _bench_team(wanted: argparse.Namespace) -> None:
    from listener.bench.known_speakers import known_speakers  # noqa: PLC0415
    from listener.bench.team_delay import bench_delay, delay_page  # noqa: PLC0415
    from listener.bench.team_hearing import bench_hearing, hearing_page, readers  # noqa: PLC0415
    from listener.bench.team_trials import bench_team, team_page  # noqa: PLC0415

    conditions = tuple(wanted.condition or OF_SPEAKERS)
    told = _told_now_and_then()
    people = known_speakers(wanted.folder)
    pages: list[str] = []
    found: dict[str, dict[str, object]] = {}
    if wanted.only in (None, "speakers"):
        figures = bench_team(wanted.folder, conditions, told, wanted.every)
        pages.append(team_page(figures))
        found["speakers"] = {
            name: {
                length: {each: getattr(one, each).as_dict() for each in _RATES}
                for length, one in zip(("1 s and longer", "shorter"), both, strict=True)
            }
            for name, both in figures.items()
        }
    if wanted.only in (None, "delay"):
        delays = {name: bench_delay(people, name, told) for name in conditions}
        pages.append(delay_page(delays))
        found["delay"] = {name: one.as_dict() for name, one in delays.items()}
    able = _able(lambda: readers(people)) if wanted.only in (None, "hearing") else None
    if able:
        heard = {name: bench_hearing(able, name, told) for name in conditions}
        pages.append(hearing_page(heard))
        found["hearing"] = {name: [one.as_dict() for one in each] for name, each in heard.items()}
    print(json.dumps(found, ensure_ascii=False) if wanted.json else "\n\n".join(pages))


def _able(find: Callable[[], dict[str, list[Recording]]]) -> dict[str, list[Recording]] | None:
    """Return the people by whom hearing can be judged; None, said so, where they are too few."""
    try:
        return find()
    except UserError as error:
        print(clean(f"hearing is not judged: {error}"), file=sys.stderr)
        return None


def _engine(text: str) -> tuple[str, Path | None]:
    """Return a recogniser's name and no folder, or vosk and a published model's folder."""
    if text in ("vosk", "pocketsphinx"):
        return text, None
    if not Path(text).is_dir():  # better before a long run than after
        raise UserError(f"--beside: {text} is neither an engine nor the folder of a model.")
    return "vosk", Path(text)


def _told_now_and_then() -> Callable[[str], None]:
    """Return a function that prints progress on standard error, every few seconds."""
    told = 0.0

    def tell(text: str) -> None:
        nonlocal told
        if time.monotonic() > told + 5:
            told = time.monotonic()
            print(text, file=sys.stderr, flush=True)

    return tell


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number from 1 up')
    return int(text)
