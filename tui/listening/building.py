"""Builds what a case is heard with: its folder and lock, the two ears, the recording, and the prompts."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from grammar.case.fold import Case
from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.loading import parse_protocol, source_text
from grammar.protocol.model import Protocol
from listener.audio.blocks import Block, Source, paced
from listener.confidence.supervised_sure_ear import SupervisedSureEar, start_sure_ear
from listener.confidence.supervised_verifier import SupervisedVerifier, start_verifier
from listener.recognition.calibration import DoubtBounds
from listener.recognition.engines import choose
from listener.recognition.supervised_recogniser import SupervisedRecogniser
from listener.recognition.vosk_recogniser import FITTED_MODEL, OUR_MODEL
from listener.storage.case_lock import CaseLock
from listener.storage.case_reader import open_case
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal
from listener.storage.rescue import take_in
from listener.storage.resume import Resumption, resume_at
from listener.storage.signing import SigningKey
from listener.team.member import bounds_for
from tui.listening.options import CaseOptions
from tui.listening.prompts import Play, loudspeaker
from tui.listening.team_voices import TeamVoices
from tui.text.wall_clock import wall_now, wall_stamp


class _AtRealPace:
    """A source whose blocks come when they would have been spoken."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.name, self.channels, self.rate = source.name, source.channels, source.rate
        self.live = True

    def blocks(self) -> Iterator[Block]:
        return paced(self._source.blocks(), time.sleep, time.monotonic)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ears:
    """The engines that listen to one case, each in a process of its own."""

    quick: SupervisedRecogniser
    sure: SupervisedSureEar | None
    """None where it is not installed."""
    verifier: SupervisedVerifier | None
    """The second listener that stands in for a missing sure ear."""

    @property
    def names(self) -> str:
        """The names of the engines, for the case's first fact."""
        return f"{self.quick.name} and {self.sure.name}" if self.sure else self.quick.name

    def listening_now(self, *, behind: bool = False) -> str:
        """Return how often each utterance is heard at the moment, in words for the header; `behind` says
        that the sure ear does not keep up."""
        if self.sure and self.sure.listens:
            return (
                "heard only once: the second hearing is behind"
                if behind
                else "every call heard twice"
            )
        notes = {
            OUR_MODEL: ": check each number (?)",
            FITTED_MODEL: ", fitted to this team",
        }
        return f"heard only once{notes.get(self.quick.name, '')}"

    def news(self) -> Iterator[str]:
        """Give a sentence for all that happened to the engines since this was last asked."""
        yield from self.quick.news()
        if self.verifier:
            yield from self.verifier.news()
        if self.sure:
            yield from self.sure.news()

    @property
    def pids(self) -> tuple[int, ...]:
        """The numbers of their processes that run."""
        processes = (
            self.quick.process,
            *(one.process for one in (self.verifier, self.sure) if one),
        )
        return tuple(process.pid for process in processes if process)

    def close(self) -> None:
        """End their processes."""
        self.quick.close()
        if self.verifier:
            self.verifier.close()
        if self.sure:
            self.sure.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseParts:
    """The parts that one case is heard with: sound, ears, journal, recording."""

    protocol: Protocol
    protocol_text: str
    case: Case
    journal: Journal
    lock: CaseLock
    resumption: Resumption | None
    """Where the case goes on; None for a new one."""
    ears: Ears
    source: Source
    """The sound, at the pace at which the case hears it."""
    flac_writer: FlacWriter | None
    """None where the sound is not to be recorded."""
    play: Play | None
    """Plays prompts; None where none are wanted, or nothing can play them."""
    without_prompts: str
    """Why prompts that are wanted cannot come, a sentence; empty where they can."""
    signing_key: SigningKey | None
    team: TeamVoices
    bounds: DoubtBounds
    """How strictly what the team says is held to be doubtful."""


def build(source: Source, options: CaseOptions) -> CaseParts:
    """Make everything ready to hear a case, in a new folder or in that of the case to go on with.

    Raises UserError where an option, the protocol, an engine or the folder is amiss.
    """
    text, label = source_text(options.protocol)
    protocol = parse_protocol(text, label)
    for number, station in options.channels:
        if number > source.channels:
            raise UserError(
                f"{source.name} has no channel {number} for {station}: it has {source.channels}"
            )
    wanted = options.sounds or options.speak
    if wanted and not (source.live or options.real_pace):
        raise UserError("prompts come in the pauses of real time: use --pace real")
    play, without_prompts = _prompts(speak=options.speak) if wanted else (None, "")
    quick = SupervisedRecogniser(
        partial(
            choose,
            options.recogniser,
            network(protocol),
            protocol.pronunciations,
            model_dir=options.model,
            language=protocol.protocol.language,
            fitted=options.fitted.network if options.fitted else None,
        )
    )
    signing_key = None if options.sign_with is None else SigningKey(options.sign_with)
    case = Case(protocol)
    journal, lock, resumption = _folder(case, text, options)
    sure = start_sure_ear(protocol)
    verifier = None if sure else start_verifier(protocol, quick)
    audio = resumption.audio if resumption else AUDIO
    team = TeamVoices(journal, options.team, options.fitted)
    return CaseParts(
        protocol=protocol,
        protocol_text=text,
        case=case,
        journal=journal,
        lock=lock,
        resumption=resumption,
        ears=Ears(quick=quick, sure=sure, verifier=verifier),
        source=_AtRealPace(source) if options.real_pace and not source.live else source,
        flac_writer=FlacWriter(journal.folder / audio, source.channels, journal.keys)
        if options.record
        else None,
        play=play,
        without_prompts=without_prompts,
        signing_key=signing_key,
        team=team,
        bounds=_bounds(team, quick.name),
    )


def _bounds(team: TeamVoices, quick: str) -> DoubtBounds:
    """Return the bounds of doubt that fit the team's cards, and say what came of fitting them."""
    fitted = bounds_for(team.members, quick)
    if fitted.in_words:
        print(fitted.in_words, file=sys.stderr, flush=True)
    return fitted.bounds


def _prompts(*, speak: bool) -> tuple[Play | None, str]:
    """Return what plays prompts; where it is missing None, and a sentence: the case goes on without."""
    try:
        return loudspeaker(speak=speak), ""
    except UserError as error:
        return None, f"no sounds and no spoken prompts: {error}"


def _folder(
    case: Case, protocol_text: str, options: CaseOptions
) -> tuple[Journal, CaseLock, Resumption | None]:
    """Return the journal of a new case, or of the one to go on with, whose facts are folded into `case`."""
    if options.resume is None:
        name = case.protocol.protocol.id
        journal = Journal.create(
            options.cases, name, protocol_text, began=wall_now(), passphrase=options.passphrase
        )
        return journal, CaseLock(journal.folder), None
    lock = CaseLock(options.resume)
    try:
        resumption = _take_up(case, options.resume, options)
        return Journal.open(options.resume, options.passphrase), lock, resumption
    except UserError:
        lock.release()
        raise


def _take_up(case: Case, folder: Path, options: CaseOptions) -> Resumption:
    """Fold the facts of a stored case, those rescued elsewhere among them, and return where it goes on."""
    taken = take_in(folder, options.passphrase, options.rescued, wall_stamp())
    if taken:
        print(f"{taken} facts that were rescued are in the case now", file=sys.stderr)
    stored = open_case(folder, options.passphrase)
    resumption = resume_at(stored, wall_now(), reopen=options.reopen)
    for fact in stored.facts:
        case.add(fact)
    return resumption
