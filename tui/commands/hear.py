"""The commands `demo`, `listen` and `resume`, which hear a case as it happens."""

from __future__ import annotations

import argparse
import sys
import tomllib
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

from grammar.errors import UserError
from tui.commands.evidence import signing_option
from tui.commands.shared import (
    USUAL_PROTOCOL,
    Commands,
    cases_option,
    new_passphrase,
    passphrase_file_option,
    passphrase_in,
    passphrase_of,
    weight_option,
)
from tui.commands.sound import channel_option, channels_of, device_option, listed, source_of
from tui.commands.team import TeamEars, chosen_members, read_at_briefing, team_option
from tui.text.wording import clean

if TYPE_CHECKING:
    from listener.audio.blocks import Source
    from listener.team.fitted_store import FittedNetwork
    from tui.listening.case_listening import Listening

SAMPLES = {
    "faulty-drill": "four minutes with planted faults (played when none is named)",
    "well-run-drill": "five minutes without a fault",
    "quick-clip": "half a minute",
    "doubtful-clip": "a minute and a quarter with unclear numbers and a possible call for help",
    "korean-drill": "three minutes in Korean",
}
"""The drills that `demo` plays, with their length and what they are for."""


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    hearing = argparse.ArgumentParser(add_help=False)
    _options(hearing)
    one = commands.add_parser("demo", parents=[hearing], help="hear a sample drill")
    one.add_argument(
        "sample",
        nargs="?",
        choices=SAMPLES,
        default="faulty-drill",
        help="; ".join(f"{name}: {what}" for name, what in SAMPLES.items()),
    )
    one.set_defaults(run=demo, drill=True)
    one = commands.add_parser("listen", parents=[hearing], help="hear a microphone, a file, or PCM")
    one.add_argument(
        "audio", nargs="?", help="a WAV or FLAC file, or - for 16 kHz s16le PCM; none: microphone"
    )
    device_option(one)
    channel_option(one)
    kind = one.add_mutually_exclusive_group()
    kind.add_argument("--drill", action="store_true", default=None, help="the case is a drill")
    kind.add_argument(
        "--real", dest="drill", action="store_false", default=None, help="the case is a real one"
    )
    one.add_argument("--no-briefing", dest="briefing", action="store_false", help="begin at once")
    one.add_argument(
        "--scenario",
        default="",
        metavar="NAME",
        help="the drill's script; trends join one scenario's",
    )
    one.add_argument(
        "--objective",
        action="append",
        default=[],
        metavar="TEXT",
        help="what the drill is held for, for its debrief; may be repeated",
    )
    one.set_defaults(run=listen, note="")
    one = commands.add_parser("resume", help="go on with a case that was broken off")
    one.add_argument("case", type=Path, metavar="CASE", help="a case folder")
    one.add_argument("audio", nargs="?", help="as for listen; none: microphone")
    device_option(one)
    _hearing_options(one)
    one.add_argument("--reopen", action="store_true", help="even if the case was ended")
    one.set_defaults(run=resume)


def listen(wanted: argparse.Namespace) -> None:
    """Hear a microphone, a file, or PCM on standard input."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415

    if listed(wanted):
        return
    wanted.protocol = wanted.protocol or USUAL_PROTOCOL
    wanted.channels = channels_of(load_protocol(wanted.protocol), wanted.channel)
    source = _source(wanted)
    wanted.known_passphrase = _passphrase(wanted)  # voices kept at the briefing are locked with it
    if wanted.briefing and not wanted.json and not _briefed(source, wanted):
        return
    _hear(source, wanted)


def _briefed(source: Source, wanted: argparse.Namespace) -> bool:
    """Show the briefing and take its choices over. False where its user left."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from listener.audio.level_check import LevelCheck  # noqa: PLC0415
    from tui.dashboard.preflight import Preflight  # noqa: PLC0415
    from tui.dashboard.settings import load_settings  # noqa: PLC0415

    if not sys.stdout.isatty():
        raise UserError("there is no terminal to draw on: use --json")
    protocol = load_protocol(wanted.protocol)
    kept = chosen_members(wanted.team, protocol, wanted.known_passphrase)
    while True:
        known = (*kept, *wanted.read_here)
        ears = TeamEars(known, None if kept else wanted.fitted_here, wanted.known_passphrase)
        choice = Preflight(
            protocol,
            weight_kg=wanted.weight_kg,
            record=wanted.audio_kept,
            check=LevelCheck(lambda: _source(wanted)) if wanted.audio is None else None,
            source=source.name,
            colours=load_settings().theme,
            drill=wanted.drill,
            scenario=wanted.scenario,
            objectives=tuple(wanted.objective),
            note=wanted.note,
            known=tuple(dict.fromkeys(member.station for member in known)),
            ears=ears.offered,
            ear=ears.best,
            doubts=ears.doubts,
        ).run()
        if choice is None:
            return False
        wanted.audio_kept, wanted.note = choice.record, choice.note
        wanted.weight_kg, wanted.drill = choice.weight_kg, choice.drill
        wanted.scenario, wanted.objective = choice.scenario, choice.objectives
        if not choice.cards:
            ears.choose(wanted, choice.ear)
            wanted.ear_chosen = wanted.weight_asked = True
            return True
        read_at_briefing(wanted, protocol)


def _fitted_in_case(wanted: argparse.Namespace) -> FittedNetwork | None:
    """Return the network that was fitted to the team of a case that goes on; None where it has none, or
    the command line names another ear. Raises UserError where it cannot be read."""
    from listener.storage.passphrase import unlock  # noqa: PLC0415
    from listener.storage.purge import FITTED  # noqa: PLC0415
    from listener.team.fitted_store import fitted_of_case  # noqa: PLC0415
    from listener.team.network_fitting import fingerprint, shipped_network  # noqa: PLC0415

    if wanted.recogniser != "auto" or wanted.model or not (wanted.case / FITTED).exists():
        return None
    wanted.known_passphrase = passphrase_of(wanted, wanted.case)
    found = fitted_of_case(wanted.case, unlock(wanted.case, wanted.known_passphrase))
    if found is None or found.shipped != fingerprint(shipped_network()):
        return None
    wanted.recogniser = "vosk"
    print(clean(f"listening is fitted to the team: {found.in_words}"), file=sys.stderr)
    return found


def resume(wanted: argparse.Namespace) -> None:
    """Go on with a case after a crash or a closed laptop, by its own protocol."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from listener.storage.journal import JOURNAL, PROTOCOL  # noqa: PLC0415

    if listed(wanted):
        return
    if not (wanted.case / JOURNAL).is_file():
        raise UserError(f"{wanted.case} is not a case folder: it has no {JOURNAL}")
    wanted.protocol = str(wanted.case / PROTOCOL)
    wanted.channels = channels_of(load_protocol(wanted.protocol), ())
    wanted.weight_kg, wanted.cases = None, wanted.case.parent
    wanted.fitted = _fitted_in_case(wanted)
    _hear(_source(wanted), wanted)


def _source(wanted: argparse.Namespace) -> Source:
    return source_of(wanted.audio, wanted.device, wanted.channels, keys=not wanted.json)


def demo(wanted: argparse.Namespace) -> None:
    """Hear a sample drill."""
    from listener.audio.sources import AudioFile  # noqa: PLC0415

    samples = files("sample_audio_synthetic")
    sample = samples / f"{wanted.sample}.flac"
    truth = tomllib.loads((samples / f"{wanted.sample}.toml").read_text(encoding="utf-8"))
    wanted.protocol = wanted.protocol or truth["protocol"]
    wanted.weight_kg = wanted.weight_kg or 70.0
    with as_file(sample) as path:
        _hear(AudioFile(path), wanted)


def _hear(source: Source, wanted: argparse.Namespace) -> None:
    from tui.dashboard.own_terminal import EarlyKeys  # noqa: PLC0415

    wanted.known_passphrase = _passphrase(wanted)  # asked for while the terminal still echoes
    if wanted.json:
        from tui.listening.json_lines import print_line, print_trouble, run_headless  # noqa: PLC0415

        run_headless(_listening(source, wanted), print_line, print_trouble)
        return
    with EarlyKeys() as early:
        print("starting: the dashboard comes in a few seconds …", file=sys.stderr, flush=True)
        from tui.listening.on_screen import run_dashboard  # noqa: PLC0415  (headless runs need no screen)

        listening = _listening(source, wanted)
        run_dashboard(listening, early, ask_weight=not getattr(wanted, "weight_asked", False))


def _listening(source: Source, wanted: argparse.Namespace) -> Listening:
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from tui.listening.case_listening import Listening  # noqa: PLC0415  (what hears, only to hear)
    from tui.listening.options import CaseOptions  # noqa: PLC0415

    pace = wanted.pace or ("fast" if wanted.json else "real")
    sounds, speak = wanted.sounds, wanted.speak
    if not wanted.json:  # who reads JSON lines asks for all on the command line
        from tui.dashboard.settings import load_settings  # noqa: PLC0415

        settings = load_settings()
        sounds, speak = sounds or settings.sounds, speak or settings.speak
    protocol = load_protocol(wanted.protocol)
    team = (*chosen_members(wanted.team, protocol, wanted.known_passphrase), *wanted.read_here)
    ears = TeamEars(team, wanted.fitted_here, wanted.known_passphrase)
    if ears.offered and not wanted.ear_chosen:
        print(clean(ears.choose(wanted, ears.best)), file=sys.stderr)
    wishes = CaseOptions(
        protocol=wanted.protocol,
        weight_kg=wanted.weight_kg,
        recogniser=wanted.recogniser,
        model=wanted.model,
        cases=wanted.cases,
        record=wanted.audio_kept,
        real_pace=pace == "real",
        passphrase=wanted.known_passphrase,
        sign_with=wanted.sign_with,
        sounds=sounds,
        speak=speak,
        channels=getattr(wanted, "channels", ()),
        note=getattr(wanted, "note", ""),
        drill=getattr(wanted, "drill", None),
        scenario=clean(getattr(wanted, "scenario", "")),
        objectives=tuple(clean(text) for text in getattr(wanted, "objective", ())),
        team=team,
        fitted=wanted.fitted,
        resume=getattr(wanted, "case", None),
        reopen=getattr(wanted, "reopen", False),
    )
    _tell_unknown_words(wanted)
    return Listening(source, wishes)


def _tell_unknown_words(wanted: argparse.Namespace) -> None:
    """Say on standard error which words a published model cannot hear, and what to say instead."""
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from tui.commands.check_report import unknown_words_sentence  # noqa: PLC0415

    ours = wanted.model is None and load_protocol(wanted.protocol).protocol.language == "en"
    if not ours and wanted.recogniser != "pocketsphinx":
        sentence = unknown_words_sentence(wanted.protocol, wanted.model)
        if sentence:
            print(clean(sentence), file=sys.stderr, flush=True)


def _options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--protocol", metavar="NAME|FILE", help="isolation-airway if left out")
    weight_option(parser)
    cases_option(parser)
    _hearing_options(parser)
    parser.add_argument(
        "--passphrase", action="store_true", help="lock the case; you are asked for a passphrase"
    )


def _hearing_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    parser.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    parser.add_argument("--json", action="store_true", help="JSON lines instead of the dashboard")
    parser.add_argument("--pace", choices=("fast", "real"), help="of a file; fast with --json")
    parser.add_argument(
        "--no-audio", dest="audio_kept", action="store_false", help="record no sound"
    )
    parser.add_argument(
        "--sounds", action="store_true", help="a sound for: timer done, nobody answered, differs"
    )
    parser.add_argument("--speak", action="store_true", help="say so too, by espeak-ng")
    team_option(parser)
    parser.set_defaults(
        read_here=(),
        cards_here=(),
        fitted_here=None,
        fitted=None,
        ear_chosen=False,
        known_passphrase=None,
    )
    passphrase_file_option(parser)
    signing_option(parser)


def _passphrase(wanted: argparse.Namespace) -> str | None:
    if wanted.known_passphrase is not None:
        return str(wanted.known_passphrase)
    if "case" in wanted:
        return passphrase_of(wanted, wanted.case)
    if wanted.passphrase_file is not None:
        return passphrase_in(wanted.passphrase_file)
    return new_passphrase() if wanted.passphrase else None
