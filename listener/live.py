"""Hears one case, from the first block of sound to its last fact. Read here first.

1. `capture.py` takes the sound, has it recorded (`storage/recording_thread.py`), and watches its level,
   its clock and its gaps (`audio/watches/`).
2. `channel.py` has each channel cut into segments of speech (`audio/voice_activity.py`).
3. `speech.py` gives a segment to the quick ear (`recognition/`), which hears only what the protocol
   allows (`grammar/language/phrases.py`), and makes utterances of its words at each pause.
4. `confidence/confidence_scoring.py` says how sure an utterance is; it becomes a fact, `Heard`.
5. `storage/fact_writer.py` writes the fact; `grammar/case/fold.py` folds it into the case: calls,
   read-backs, timers, drugs. An observer is told, and the screen draws what the case says at that moment.
6. At the end of the segment the sure ear hears all of it again (`confidence/storing_verdicts.py`), and what
   both make of it is a further fact: confirmed, put right, doubted, rejected, or a call that the quick ear
   had missed.

Nothing waits for another: sound, disk and engines have threads or processes of their own. Every fact is
stored, then folded, then shown, one at a time, and none is ever changed. Another thread may read the case
at any moment, since its state is an immutable value, replaced as a whole.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Gap, RecordingSet, Warned
from grammar.case.fold import Case
from grammar.case.view import HeardUpTo, Utterance
from grammar.language.parse import understanding_of
from listener.audio.blocks import Source
from listener.audio.playback_suppression import PlaybackSuppression
from listener.audio.voice_activity import level_dbfs
from listener.audio.watches import watching
from listener.capture import Capture, Captured
from listener.channel import Channel
from listener.confidence.confidence_scoring import ConfidenceScoring
from listener.confidence.storing_verdicts import Noting, SecondHearings
from listener.confidence.supervised_sure_ear import SureListener
from listener.confidence.team_strictness import for_team
from listener.confidence.verifier import Verifier
from listener.lateness import Lateness
from listener.observer import Observer
from listener.recognition.calibration import SHIPPED_BOUNDS, DoubtBounds, two_ears
from listener.recognition.recogniser import Recogniser
from listener.speech import Speech
from listener.storage.fact_writer import FactWriter
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import Journal
from listener.storage.recording_thread import RecordingThread
from listener.team.card_in_case import CardAwareEar, CardInCase, CardProgress, is_of_card
from listener.team.consent_in_case import ConsentInCase, OneAtATime
from listener.team.member import Member
from listener.team.speaker_attribution import SpeakerAttribution
from listener.team.spoken_consent import ConsentEar

HOLDS_S: Final = 5.0
"""A stretch of speech that is not told yet keeps a call from being unanswered for so long at the most,
seconds: a noise taken for speech may go on for minutes."""

NOT_HEARD_AT_END: Final = "the case was ended before this was heard"
"""The reason of the gap at the end of a case that was ended while hearing lagged."""

_JUMP_S: Final = 0.01
"""Sound follows on sound to the sample, but for the rounding of its times."""


@dataclass(frozen=True, slots=True)
class Opening:
    """The beginning of a case."""

    weight_kg: float | None
    source: str
    engine: str
    recording: bool
    channels: tuple[tuple[int, str], ...] = ()
    """Input channels, from 1, that belong to one station."""
    drill: bool | None = None
    """Whether it is a drill; None where nobody said."""
    scenario: str = ""
    objectives: tuple[str, ...] = ()
    """Both as in `CaseStarted`."""


class Live:
    """One case being heard."""

    def __init__(
        self,
        *,
        source: Source,
        recogniser: Recogniser,
        case: Case,
        journal: Journal,
        observer: Observer,
        flac_writer: FlacWriter | None,
        clock: Callable[[], datetime],
        begins_s: float = 0.0,
        engine_news: Callable[[], Iterable[str]] = tuple,
        verifier: Verifier | None = None,
        sure_ear: SureListener | None = None,
        noting: Noting | None = None,
        team: Sequence[Member] = (),
        bounds: DoubtBounds = SHIPPED_BOUNDS,
    ) -> None:
        """Make ready to hear `source` into `case` and `journal`.

        `recogniser` is the quick ear. `flac_writer` is None where no sound is to be recorded. `clock`
        gives the time of day. `begins_s` is where on the case's clock the source begins, seconds, above
        0 in a case that is resumed. `engine_news` gives what happened to the engines since it was last
        asked. `noting` is given what both ears made of each stretch of speech. `team` are the members who
        agreed to be known by voice, `bounds` how strictly what they say is held to be doubtful.
        """
        self.fact_writer = FactWriter(journal)
        self._card: CardInCase | None = None
        """The card that somebody reads, or read last."""
        self._consent: ConsentInCase | None = None
        """The question whether a voice may be known that was asked last."""
        self._sure_ear = OneAtATime(sure_ear) if sure_ear else None
        self._source = source
        self._recogniser = recogniser
        self._case = case
        self._observer = observer
        self._recorder = (
            RecordingThread(flac_writer, source.channels, begins_s) if flac_writer else None
        )
        self._watching = watching(source)
        self._lateness = Lateness(self.tell, live=source.live)
        look = self._look_if_late
        self._capture = Capture(
            source, self._recorder, self._watching, begins_s=begins_s, taken=look
        )
        self._engine_news = engine_news
        self._clock = clock
        self._understanding = understanding_of(case.protocol)
        self._channels = [
            Channel(
                number,
                begins_s,
                begin_speech=self._begin_speech,
                speaking=observer.speaking,
                missed=self.tell,
                heard_s=lambda: self._heard_s,
            )
            for number in range(1, source.channels + 1)
        ]
        self._scoring = ConfidenceScoring(
            recogniser,
            self._understanding,
            verifier,
            self._tell_heard,
            live=source.live,
            stricter=bounds.quick,
        )
        self._second_hearings = (
            SecondHearings(
                CardAwareEar(self._sure_ear, lambda: self._card, self._answers),
                self._understanding,
                two_ears(case.protocol.protocol.language),
                lambda fact: self.tell(for_team(fact, bounds.both)),
                live=source.live,
                noting=noting,
            )
            if self._sure_ear
            else None
        )
        self._voices = SpeakerAttribution(team, self.tell, source.channels, live=source.live)
        self._telling = threading.Lock()
        self._heard_s = begins_s
        self._heard_up_to = HeardUpTo(begins_s, begins_s)
        """Set anew once a block is heard and all that came of it is told."""
        self._spoken_s = begins_s
        """Up to here somebody spoke."""
        self.playback_suppression = PlaybackSuppression()
        """Stretches that are not heard, since we play a sound."""

    @property
    def now(self) -> float:
        """Seconds on the case's clock up to which sound has come."""
        return self._capture.now

    @property
    def behind_s(self) -> float:
        """How much of the sound that has come is still to be heard, seconds."""
        return max(self._capture.now - self._heard_s, 0.0)

    @property
    def heard(self) -> HeardUpTo:
        """How far hearing has come. Ask before the case: what was told by then is in it."""
        return self._heard_up_to

    @property
    def second_hearing_behind(self) -> bool:
        """Return whether the sure ear does not keep up, so that calls are heard only once for now."""
        return self._second_hearings is not None and self._second_hearings.behind

    @property
    def sound_over(self) -> bool:
        """Return whether no more sound comes, since its source has ended."""
        return self._capture.over

    @property
    def quiet_s(self) -> float:
        """For how long nobody has spoken, seconds of sound that has been heard."""
        return max(self._heard_s - self._spoken_s - self.behind_s, 0.0)

    @property
    def troubles(self) -> tuple[str, ...]:
        """Troubles of the moment, each a sentence."""
        found = [self.fact_writer.trouble, self._recorder.trouble if self._recorder else ""]
        if self._capture.stalled:
            found.append("no sound comes")
        if self._late_s():
            found.append(f"hearing is {self.behind_s:.0f} s behind, nothing is left out")
        return (*(trouble for trouble in found if trouble), *self._watching.troubles)

    @property
    def unrecorded(self) -> bool:
        """Return whether the sound is to be recorded and is not, since the disk does not take it."""
        return bool(self._recorder and self._recorder.trouble)

    def begin(self, opening: Opening) -> None:
        """Store that the case began."""
        self.tell(
            CaseStarted(
                wall=self._wall(),
                protocol=self._case.protocol.protocol.id,
                weight_kg=opening.weight_kg,
                engine=opening.engine,
                recording=opening.recording,
                source=opening.source,
                channels=opening.channels,
                drill=opening.drill,
                scenario=opening.scenario,
                objectives=opening.objectives,
            )
        )

    def run(self) -> None:
        """Hear the source to its end, or until `stop`; then the case is ended and closed."""
        try:
            for captured in self._capture.blocks():
                self._take(captured)
            for channel in self._channels:
                channel.end()
            self._heard_up_to = HeardUpTo(self._heard_s, self._heard_s)
            if self._capture.dropped and self.behind_s:
                self.tell(Gap(t=self._heard_s, until=self.now, reason=NOT_HEARD_AT_END))
            self._scoring.finish()
            if self._second_hearings:
                self._second_hearings.finish()
            self._voices.finish()
            if self._recorder:
                self._recorder.close()
            self._tell_of_disk_and_engine(self.now)
            self.tell(CaseEnded(t=self.now, wall=self._wall()))
        finally:
            self._capture.stop()
            if self._recorder:
                self._recorder.close()

    def stop(self, *, at_once: bool = False) -> None:
        """Take no more sound, and end once what came is heard; `at_once` without hearing it: that becomes a
        gap, and its recording stays. May be called from another thread."""
        self._capture.stop(drop=at_once)

    @contextmanager
    def playing_aloud(self, after_s: float, what: str) -> Iterator[None]:
        """While the context lasts, and `after_s` seconds longer, record the sound and do not hear it:
        something of ours, `what`, plays into the microphone.

        The time not heard becomes a gap. Where a voice breaks it off, sound is heard again at once.
        """
        with self.playback_suppression.turn:
            began = self.now
            self.playback_suppression.begin(began)
            try:
                yield
            finally:
                broken_off = self.playback_suppression.interrupted.is_set()
                end = self.now + (0.0 if broken_off else after_s)
                self.playback_suppression.end(end)
            self.tell(Gap(t=began, until=end, reason=what))

    def warn(self, what: str, text: str) -> None:
        """Store that something is not as it should be, as of now."""
        self.tell(Warned(t=self.now, what=what, text=text))

    def tell(self, fact: Fact) -> Utterance | None:
        """Store a fact, fold it, show it. A person at the keyboard may tell one from another thread."""
        if self._recorder and isinstance(fact, RecordingSet):
            self._recorder.paused = not fact.on
        return self._tell(fact)

    def read_card(self, card: CardInCase) -> None:
        """Hear somebody read this card from now on; the case goes on hearing all else."""
        self._card = card

    def hear_yes(self) -> ConsentInCase:
        """Begin to listen for a spoken yes: somebody is asked whether their voice may be known."""
        self._consent = ConsentInCase(
            lambda: ConsentEar(self._sure_ear, both=True), self._understanding, self.tell
        )
        return self._consent

    def _answers(self, written: str) -> bool:
        return self._consent is not None and self._consent.is_yes(written)

    @property
    def card(self) -> CardProgress | None:
        """How far the card is that somebody reads; None where nobody does."""
        return self._card.progress if self._card and not self._card.over else None

    def know(self, member: Member) -> None:
        """Know a member by voice from now on."""
        self._voices.know(member)

    def _tell_heard(self, fact: Fact) -> Utterance | None:
        """Tell what was heard. Whoever heard it is told of no utterance where it belongs to a card that is
        read: should it be another call after all, that is told as one of its own."""
        own = self._card.of_case(fact) if self._card and not self._card.gone else fact
        own = self._consent.of_case(own) if self._consent and own else own
        told = self.tell(own) if own else None
        if self._consent and own and told:
            self._consent.heard(own, told.fact)
        return None if own and is_of_card(own) else told

    def _tell(self, fact: Fact) -> Utterance | None:
        with self._telling:
            kept = self.fact_writer.keep(fact)
            utterance = self._case.add(kept)
            self._observer.heard(kept, utterance)
        self._voices.heard(kept, utterance)
        return utterance

    def _take(self, captured: Captured) -> None:
        block = self.playback_suppression.heard(captured.block)
        if block.lost_s:
            self.tell(Gap(t=block.t - block.lost_s, until=block.t, reason="the input lost sound"))
        if block.t > self._heard_s + _JUMP_S:
            for channel in self._channels:
                channel.jump(block.t)
        for warned in captured.warnings:
            self.tell(warned)
        self._look_if_late()
        self._tell_of_disk_and_engine(block.t)
        levels = []
        for number, channel in enumerate(self._channels):
            samples = block.samples[:, number]
            levels.append(level_dbfs(samples))
            self._voices.take(number, block.t, samples)
            events = channel.push(samples)
            if self._card:
                self._card.follow(number, events)
            if self._consent:
                self._consent.follow(number, events, channel.origin_s)
            channel.pause()
        self._heard_s = block.t + len(block.samples) / self._source.rate
        spoken = [channel.speech for channel in self._channels if channel.speech]
        if spoken:
            self._spoken_s = self._heard_s
        untold = (here.untold_from for here in spoken)
        told = max(min(untold, default=self._heard_s), self._heard_s - HOLDS_S)
        self._heard_up_to = HeardUpTo(self._heard_s, min(told, self._heard_s))
        self._observer.block(self._heard_s, levels)

    def _tell_of_disk_and_engine(self, t: float) -> None:
        for news in self._recorder.news() if self._recorder else ():
            self._tell(news)
        if waited := self.fact_writer.mended():
            text = f"for a while nothing could be stored ({waited}): all of it is stored now"
            self.tell(Warned(t=t, what="storage", text=text))
        for text in self._engine_news():
            self.tell(Warned(t=t, what="engine", text=text))

    def _look_if_late(self) -> None:
        self._lateness.look(self._capture.now, self._heard_s, self._heard_up_to.told)

    def _late_s(self) -> float:
        return self._lateness.of(self.behind_s)

    def _wall(self) -> str:
        return self._clock().isoformat(timespec="seconds")

    def _begin_speech(self, channel: int, t: float) -> Speech:
        return Speech(
            began=t,
            channel=channel,
            recogniser=self._recogniser,
            understanding=self._understanding,
            scoring=self._scoring,
            late_s=self._late_s,
            at_once=self._source.live,
            second_hearings=self._second_hearings,
        )
