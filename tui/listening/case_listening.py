"""One case being heard, headless or behind the dashboard."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Final
from typing import Protocol as Interface

from grammar.case.facts import Fact, Heard, HeardOut, Noted, Resumed
from grammar.case.view import USUAL_LAG_S, Utterance, View
from grammar.errors import UserError
from listener.audio.blocks import Source
from listener.live import Live, Opening
from listener.storage.case_reader import StoredCase, sounds_of
from listener.team.card_in_case import CardInCase
from listener.team.member import Member
from listener.team.speaker_encoder.encoder import Voiceprint
from tui.dashboard.status import Status
from tui.listening.building import CaseParts, build
from tui.listening.ending import end_case
from tui.listening.options import CaseOptions
from tui.listening.prompts import Prompter
from tui.text.wall_clock import wall_now, wall_stamp
from tui.text.words_on_their_way import not_told_yet

LAST_WORDS_S: Final = 5.0
"""How long the last words of a case that ends may take to be heard."""


class Follower(Interface):
    """Whoever is told what a case hears, from the thread that hears. It must return quickly."""

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """Take note of a fact that is stored and folded; `utterance` is what it became."""

    def troubles(self, troubles: Sequence[str]) -> None:
        """Take note of the troubles of this moment, each a sentence, with every block of sound."""


class Listening:
    """A case that is ready to run, and the observer that keeps what the screen asks for."""

    def __init__(self, source: Source, options: CaseOptions) -> None:
        """Make all ready. Raises UserError where an option, the protocol or the folder is amiss."""
        self._parts = parts = build(source, options)
        self.ears = parts.ears
        self.protocol, self.case, self.journal = parts.protocol, parts.case, parts.journal
        resumption = parts.resumption
        self.live = Live(
            source=parts.source,
            recogniser=self.ears.quick,
            case=parts.case,
            journal=parts.journal,
            observer=self,
            flac_writer=parts.flac_writer,
            clock=wall_now,
            begins_s=resumption.at if resumption else 0.0,
            engine_news=self.ears.news,
            verifier=self.ears.verifier,
            sure_ear=self.ears.sure,
            team=parts.team.members,
            bounds=parts.bounds,
        )
        self._through_air = source.live
        self._note = options.note
        self._rescued = options.rescued
        self._opening = Opening(
            weight_kg=options.weight_kg,
            source=source.name,
            engine=self.ears.names,
            recording=options.record,
            channels=options.channels,
            drill=options.drill,
            scenario=options.scenario,
            objectives=options.objectives,
        )
        self._prompter = self._prompts(parts, options)
        self._partial: tuple[int, str] = (0, "")
        """The channel that speaks, and its words on their way."""
        self._told: tuple[tuple[str, ...], ...] = ()
        """The utterances told of the stretch of speech that goes on, each as its words."""
        self._level: float | None = None
        self._ended = False
        self._failure: str | None = None
        self._thread: threading.Thread | None = None
        self.follower: Follower | None = None
        """Whoever wants to be told, besides the dashboard, which asks."""

    def _prompts(self, parts: CaseParts, options: CaseOptions) -> Prompter | None:
        if not parts.play:
            return None
        return Prompter(
            self.protocol,
            lambda: self.view(self.live.now),
            self.live,
            sounds=options.sounds,
            speak=options.speak,
            through_air=self._through_air,
            play=parts.play,
        )

    def run(self) -> None:
        """Hear the source to its end, in this thread."""
        try:
            self._begin()
        except BaseException:
            self._ended = True
            raise
        self._hear()

    def _hear(self) -> None:
        try:
            if self._prompter:
                self._prompter.start()
            self.live.run()
        finally:
            self._ended = True
            if self._prompter:
                self._prompter.stop()

    def start(self) -> None:
        """Hear the source in a thread of its own. That the case began is stored first, so that the first
        picture says what it is and the weight."""
        try:
            self._begin()
        except Exception as error:
            self._ended = True
            self._fails(error)
            return
        self._thread = threading.Thread(target=self._guarded, name="hearing", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End hearing and wait for the last fact to be stored. Where hearing lags, what is not heard yet
        becomes a gap: whoever ends the case was told, and could have waited."""
        self.live.stop(at_once=self.live.behind_s > USUAL_LAG_S)
        if self._thread:
            self._thread.join(timeout=LAST_WORDS_S)
            if self._thread.is_alive():
                self.live.stop(at_once=True)
                self._thread.join(timeout=LAST_WORDS_S)

    def close(self) -> None:
        """Store what is left, seal the case, let its folder go, and say where it is and its check code.

        Raises UserError where its disk does not take what is left; all is then put elsewhere, if it can.
        """
        self.ears.close()
        end_case(
            self._parts,
            self.live.fact_writer,
            self._rescued,
            written=self._ended,
            unheard_s=self.live.behind_s,
        )

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

    def read_card(self, station: str) -> CardInCase:
        """Have somebody read a card for a station while the case goes on. They said yes by now."""
        agreed = wall_stamp()

        def done(prints: tuple[Voiceprint, ...]) -> None:
            if not prints:
                return
            member = Member(station=station, prints=prints, agreed=agreed)
            try:
                told = self._parts.team.join(member, self.live.now)
            except UserError as error:
                self.live.warn("voices", str(error))
                return
            self.live.know(member)
            self.live.tell(told)

        card = CardInCase(self.protocol, station, done)
        self.live.read_card(card)
        return card

    @property
    def through_air(self) -> bool:
        """Return whether a microphone hears the case."""
        return self._through_air

    @property
    def speaks(self) -> bool:
        """Return whether sentences can be said aloud in this case."""
        return self._prompter is not None and self._prompter.speaks

    @property
    def silent_because(self) -> str:
        """Why nothing can be said aloud, a clause; "" where it can, or where nobody asked for it."""
        return self._parts.without_prompts

    def say(self, sentence: str) -> None:
        """Say a sentence aloud. Raises UserError where nothing can be played."""
        if self._prompter:
            self._prompter.say(sentence)

    def view(self, now: float) -> View:
        """Return the case at `now` seconds on its clock, as far as it is heard."""
        # How far it is heard is asked first: the facts are then no older.
        heard = None if self._ended else self.live.heard
        return self.case.view(now, heard)

    def status(self) -> Status:
        """Return the state of the listening side for the screen."""
        writer = self.live.fact_writer
        return Status(
            engine=self._opening.engine,
            ears=self.ears.listening_now(behind=self.live.second_hearing_behind),
            level_dbfs=self._level,
            recording=self._opening.recording,
            partial=not_told_yet(self._partial[1], self._told),
            source=self._opening.source,
            title=self.protocol.protocol.title,
            ended=self._ended,
            unheard_s=self.live.behind_s if self.live.sound_over and not self._ended else None,
            failure=self._failure,
            troubles=self.live.troubles,
            unrecorded=self.live.unrecorded,
            unstored_from=writer.stored + 1 if writer.trouble else None,
            card=self.live.card,
            missing="no sounds, no speech" if self._parts.without_prompts else "",
        )

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """Take note of a fact that is stored; see `Observer.heard`."""
        if isinstance(fact, Heard | HeardOut):
            self._told = (*self._told, tuple(word.text for word in fact.words))
        if self.follower:
            self.follower.heard(fact, utterance)

    def speaking(self, channel: int, words: str) -> None:
        """Take note of the words so far; see `Observer.speaking`."""
        if words or channel == self._partial[0]:
            if not self._partial[1]:
                self._told = ()  # another stretch of speech begins
            self._partial = (channel, words)

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        """Take note of the level of the sound; see `Observer.block`."""
        self._level = max(levels_dbfs)
        if self.follower:
            self.follower.troubles(self.live.troubles)

    def _begin(self) -> None:
        """Store that the case begins, or goes on after a gap."""
        resumption = self._parts.resumption
        if resumption is None:
            self.live.begin(self._opening)
        else:
            if resumption.gap:
                self.live.tell(resumption.gap)
            resumed = Resumed(
                t=resumption.at,
                wall=wall_stamp(),
                engine=self._opening.engine,
                recording=self._opening.recording,
                source=self._opening.source,
                audio=resumption.audio if self._opening.recording else "",
            )
            self.live.tell(resumed)
        for agreed in self._parts.team.begin(self.live.now):
            self.live.tell(agreed)
        if self._note:
            self.live.tell(Noted(t=self.live.now, text=self._note))
        if self._parts.without_prompts:
            self.live.warn("prompts", self._parts.without_prompts)

    def _guarded(self) -> None:
        try:
            self._hear()
        except Exception as error:
            self._fails(error)

    def _fails(self, error: Exception) -> None:
        # The screen must stay, and say that nobody listens any more.
        self._failure = str(error) or type(error).__name__
