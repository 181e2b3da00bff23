"""One case being heard: the listening side made ready, run headless or behind the dashboard."""

from __future__ import annotations

import json
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from platformdirs import user_state_path

from grammar.case.facts import Doubted, Fact, HeardOut, Noted, Resumed, SecondHearing
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.loading import parse_protocol, source_text
from grammar.reports.summary import summary_json, utterance_json
from listener.audio.blocks import Block, Source, paced
from listener.audio.watches.watching import kind_of
from listener.confidence.supervised_sure_ear import start_sure_ear
from listener.confidence.supervised_verifier import start_verifier
from listener.live import Live, Opening
from listener.recognition.engines import choose
from listener.recognition.supervised_recogniser import SupervisedRecogniser
from listener.recognition.vosk_recogniser import OUR_MODEL
from listener.storage.case_lock import CaseLock
from listener.storage.case_reader import StoredCase, open_case, sounds_of
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal
from listener.storage.rescue import take_in
from listener.storage.resume import Resumption, resume_at
from listener.storage.seals import seal
from listener.storage.signing import SigningKey
from tui.dashboard.status import Status
from tui.listening.last_try import last_try, put_elsewhere
from tui.listening.prompts import Play, Prompter, loudspeaker
from tui.text.wall_clock import wall_now, wall_stamp
from tui.text.wording import clean


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseOptions:
    """The choices of the command line."""

    protocol: str
    weight_kg: float | None
    recogniser: str
    model: Path | None
    cases: Path
    record: bool
    real_pace: bool
    passphrase: str | None = field(default=None, repr=False)
    sign_with: Path | None = None
    """The file of the key that signs the case at its end."""
    resume: Path | None = None
    """The folder of a case to go on with; its own protocol then holds."""
    reopen: bool = False
    """Go on even with a case that has ended."""
    channels: tuple[tuple[int, str], ...] = ()
    """Input channels, from 1, and the stations that they belong to."""
    drill: bool | None = None
    """Whether it is a drill; None where nobody said."""
    note: str = ""
    """A note of consent to the recording, taken before it begins."""
    sounds: bool = False
    """Sounds for what wants attention."""
    speak: bool = False
    """Spoken prompts likewise."""
    rescued: Path = field(
        default_factory=lambda: user_state_path("answerback", appauthor=False) / "rescued"
    )
    """Where a case goes whose own disk took not all of it."""


class _AtRealPace:
    """A source whose blocks come when they would have been spoken."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.name, self.channels, self.rate = source.name, source.channels, source.rate
        self.live = True

    def blocks(self) -> Iterator[Block]:
        return paced(self._source.blocks(), time.sleep, time.monotonic)


def _prompts(*, speak: bool) -> tuple[Play | None, str]:
    """Return what plays prompts; where it is missing None, and a sentence: the case goes on without."""
    try:
        return loudspeaker(speak=speak), ""
    except UserError as error:
        return None, f"no sounds and no spoken prompts in this case: {error}"


class Listening:
    """A case, ready to run. Also the observer that keeps what the screen asks for."""

    def __init__(self, source: Source, wishes: CaseOptions) -> None:
        text, label = source_text(wishes.protocol)
        self.protocol = parse_protocol(text, label)
        live = source.live or wishes.real_pace
        for number, station in wishes.channels:
            if number > source.channels:
                raise UserError(
                    f"{source.name} has no channel {number} for {station}: it has {source.channels}"
                )
        prompts = wishes.sounds or wishes.speak
        if prompts and not live:
            raise UserError("prompts come in the pauses of real time: use --pace real")
        play, self._silent = _prompts(speak=wishes.speak) if prompts else (None, "")
        self._engine = SupervisedRecogniser(
            partial(
                choose,
                wishes.recogniser,
                network(self.protocol),
                self.protocol.pronunciations,
                wishes.model,
                self.protocol.protocol.language,
            )
        )
        heard = _AtRealPace(source) if wishes.real_pace and not source.live else source
        self.case = Case(self.protocol)
        self._protocol_text, self._rescued = text, wishes.rescued
        self._key = None if wishes.sign_with is None else SigningKey(wishes.sign_with)
        self._note = wishes.note
        self._resuming: Resumption | None = None
        if wishes.resume is None:
            wall = wall_now()
            self.journal = Journal.create(
                wishes.cases, self.protocol.protocol.id, text, wall, wishes.passphrase
            )
            self._held = CaseLock(self.journal.folder)
        else:
            self._held = CaseLock(wishes.resume)
            try:
                self._resuming = self._take_up(wishes.resume, wishes)
                self.journal = Journal.open(wishes.resume, wishes.passphrase)
            except UserError:
                self._held.release()
                raise
        self._sure = start_sure_ear(self.protocol)
        self._second = None if self._sure else start_verifier(self.protocol, self._engine)
        audio = self._resuming.audio if self._resuming else AUDIO
        recording = (
            FlacWriter(self.journal.folder / audio, source.channels, self.journal.keys)
            if wishes.record
            else None
        )
        self.live = Live(
            heard,
            self._engine,
            self.case,
            self.journal,
            self,
            recording,
            wall_now,
            self._resuming.at if self._resuming else 0.0,
            engine_news=self._engine_news,
            second=self._second,
            sure=self._sure,
        )
        self._through_air = source.live
        self._opening = Opening(
            weight_kg=wishes.weight_kg,
            source=source.name,
            engine=self._listeners(),
            recording=wishes.record,
            channels=wishes.channels,
            drill=wishes.drill,
        )
        self._prompter: Prompter | None = None
        if play:
            self._prompter = Prompter(
                self.protocol,
                lambda: self.case.view(self.live.now),
                self.live,
                sounds=wishes.sounds,
                speak=wishes.speak,
                through_air=source.live,
                play=play,
            )
        self._partial: tuple[int, str] = (0, "")
        """The channel that speaks, and its words on their way."""
        self._level: float | None = None
        self._ended = False
        self._failure: str | None = None
        self._thread: threading.Thread | None = None
        self._told: frozenset[str] = frozenset()
        self.tell_line: Callable[[Mapping[str, Any]], None] = _ignore
        """Given each utterance of a headless run as a JSON-ready object, and the summary last."""
        self.tell_trouble: Callable[[str], None] = _ignore
        """Given each trouble of a headless run, once as it begins."""

    def _take_up(self, folder: Path, wishes: CaseOptions) -> Resumption:
        taken = take_in(folder, wishes.passphrase, self._rescued, wall_stamp())
        if taken:
            print(f"{taken} facts that were rescued are in the case now", file=sys.stderr)
        stored = open_case(folder, wishes.passphrase)
        resuming = resume_at(stored, wall_now(), reopen=wishes.reopen)
        for fact in stored.facts:
            self.case.add(fact)
        return resuming

    def _listeners(self) -> str:
        """Return the names of the engines that listen as the case begins."""
        return f"{self._engine.name} and {self._sure.name}" if self._sure else self._engine.name

    def _ears(self) -> str:
        """Return which ears listen now, for the header."""
        if self._sure and self._sure.listens:
            return "both ears"
        ours = self._engine.name == OUR_MODEL
        return f"the quick ear only{', which has never heard people' if ours else ''}"

    def _engine_news(self) -> Iterator[str]:
        yield from self._engine.news()
        if self._second:
            yield from self._second.news()
        if self._sure:
            yield from self._sure.news()

    def _begin(self) -> None:
        """Store that the case begins, or goes on after a gap."""
        if self._resuming is None:
            self.live.begin(self._opening)
        else:
            if self._resuming.gap:
                self.live.tell(self._resuming.gap)
            resumed = Resumed(
                t=self._resuming.at,
                wall=wall_stamp(),
                engine=self._opening.engine,
                recording=self._opening.recording,
                source=self._opening.source,
                audio=self._resuming.audio if self._opening.recording else "",
            )
            self.live.tell(resumed)
        if self._note:
            self.live.tell(Noted(t=self.live.now, text=self._note))
        if self._silent:
            self.live.warn("prompts", self._silent)

    def run(self) -> None:
        """Hear the source to its end, in this thread."""
        try:
            self._begin()
            if self._prompter:
                self._prompter.start()
            self.live.run()
        finally:
            self._ended = True
            if self._prompter:
                self._prompter.stop()

    def start(self) -> None:
        """Hear the source in a thread of its own."""
        self._thread = threading.Thread(target=self._guarded, name="hearing", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End hearing and wait for the last fact to be stored."""
        self.live.stop()
        if self._thread:
            self._thread.join(timeout=5)

    def close(self) -> None:
        """Store what is left, seal the case, let its folder go, and say where it is and its last hash.

        Raises UserError where its disk does not take what is left; all is then put elsewhere, if it can.
        """
        self._engine.close()
        if self._second:
            self._second.close()
        if self._sure:
            self._sure.close()
        print(f"case: {self.journal.folder}", file=sys.stderr)
        try:
            if self.live.fact_writer.finish() and (left := last_try(self.live.fact_writer)):
                facts, text = self.case.facts, self._protocol_text
                raise UserError(
                    put_elsewhere(self._rescued, self.journal, text, facts, left, self._key)
                )
            if self._ended:  # else something may still be written
                wall = wall_stamp()
                print(
                    f"seal: {seal(self.live.fact_writer.journal, wall, self._key).head}",
                    file=sys.stderr,
                )
            self.live.fact_writer.journal.close()
        finally:
            self._held.release()

    def play(self, start: float, end: float) -> None:
        """Play what was recorded between two moments again; what a microphone hears of it is no call.

        Raises UserError where nothing is kept or nothing can be heard.
        """
        from tui.listening.last_seconds import AFTER_S, play_again  # noqa: PLC0415  (PortAudio only when asked for)

        folder, facts = self.journal.folder, self.case.facts
        sounds, _ = sounds_of(folder, facts, self.journal.keys)
        stored = StoredCase(folder, self.protocol, facts, sounds)
        if not self._through_air:
            play_again(stored, start, end)
            return
        with self.live.playing_aloud(AFTER_S, "the last seconds were played aloud"):
            play_again(stored, start, end)

    def status(self) -> Status:
        """Return the state of the listening side for the screen."""
        return Status(
            engine=self._opening.engine,
            ears=self._ears(),
            level_dbfs=self._level,
            recording=self._opening.recording,
            partial=self._partial[1],
            source=self._opening.source,
            title=self.protocol.protocol.title,
            ended=self._ended,
            failure=self._failure,
            troubles=self.live.troubles,
            unrecorded=self.live.unrecorded,
            unstored_from=self.live.fact_writer.stored + 1
            if self.live.fact_writer.trouble
            else None,
        )

    def _guarded(self) -> None:
        try:
            self.run()
        except Exception as error:
            # The screen must stay, and say that nobody listens any more.
            self._failure = str(error) or type(error).__name__

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        if isinstance(fact, Doubted):
            self.tell_line(
                {
                    "kind": "doubted",
                    "seq": fact.target,
                    "t": round(fact.t, 2),
                    "reason": fact.reason,
                    "words": fact.words,
                }
            )
        if isinstance(fact, SecondHearing):
            twice = self._utterance(fact.target)
            if twice:
                self.tell_line({**utterance_json(twice), "verdict": fact.verdict})
        if isinstance(fact, HeardOut):
            whole = self._utterance(fact.target)
            if whole:
                self.tell_line({**utterance_json(whole), "heard_out": True})
        if utterance is not None and fact.kind == "heard":
            line = utterance_json(utterance)
            if fact.seq > self.live.fact_writer.stored:
                line["stored"] = False
            self.tell_line(line)

    def _utterance(self, seq: int) -> Utterance | None:
        log = self.case.state.log
        found = (line.utterance for line in reversed(log) if line.fact == seq)
        return next(found, None)

    def speaking(self, channel: int, words: str) -> None:
        if words or channel == self._partial[0]:
            self._partial = (channel, words)

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        self._level = max(levels_dbfs)
        troubles = {kind_of(trouble): trouble for trouble in self.live.troubles}
        for kind in troubles.keys() - self._told:
            self.tell_trouble(troubles[kind])
        self._told = frozenset(troubles)


def _ignore(_told: object) -> None:
    """Nobody reads it: the dashboard asks for the view and the status instead."""


def print_line(line: Mapping[str, Any]) -> None:
    """One line of JSON on standard output, at once."""
    print(json.dumps(line, ensure_ascii=False), flush=True)


def print_trouble(trouble: str) -> None:
    """One line on standard error, without what could steer a terminal."""
    print(f"warning: {clean(trouble)}", file=sys.stderr, flush=True)


def run_headless(listening: Listening) -> None:
    """Hear to the end, giving `tell_line` every utterance as its fact is stored, then the summary.

    Ctrl-C ends the case as its end would, with its summary; a second one breaks it off.
    """
    try:
        with _ending_on_interrupt(listening.live):
            listening.run()
    except Exception:
        listening.close()
        raise
    listening.tell_line(summary_json(listening.case.view(listening.live.now)))
    listening.close()


@contextmanager
def _ending_on_interrupt(live: Live) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return

    def end(_signal: int, _frame: object) -> None:
        live.stop()
        signal.signal(signal.SIGINT, before)

    before = signal.signal(signal.SIGINT, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
