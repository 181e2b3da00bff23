"""A member reads the card while a case goes on: the case hears all of it, and only the card's sentences are
taken from it.

An utterance that means the sentence which is asked for, or one of the two before, is the card's, and so is
speech that no ear understood. A sentence of the card is stored as speech, with its words as the likely
ones, so that a call in just these words is in the log. Anything else that is said meanwhile is the case's
own, marked as in doubt (`CARD`): also a call in nearly the same words, with another drug or number. It may
be the card, misheard, and counts as a try; or a call that must not be lost. A sentence counts once an ear
understood it, or at the third try. Of the sound only the voiceprint stays.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
from rapidfuzz import fuzz

from grammar.advice.reading_card import reading_card
from grammar.case.facts import Fact, Heard, HeardOut
from grammar.language.parse import Understanding, understanding_of
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sound_quality import advice, sound_check
from listener.audio.voice_activity import SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.background import Background
from listener.confidence.judging_two_ears import same_meaning
from listener.confidence.supervised_sure_ear import SureListener, heard_unless
from listener.recognition.sure_ear import SureHearing
from listener.team.card_reading import ENOUGH, SHORTEST_S
from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.speaker_encoder.encoder import Voiceprint

CARD: Final = "card"
"""Doubt of a call that was heard while a card was read."""
TRIES: Final = 3
LATE_S: Final = 4.0
"""For so long after a sentence the sure ear may still understand it."""
AFTER_S: Final = 15.0
"""For so long after the card its last sentences are still taken from the case: the sure ear may be late."""
_ALIKE: Final = 80.0
"""A call whose letters are at least so like the card's sentence (rapidfuzz, 0 to 100) is likely that
sentence, misheard."""
_NOTHING: Final = "nobody read it yet"

Told = TypeVar("Told", bound=Heard | HeardOut)

Done = Callable[[tuple[Voiceprint, ...]], None]
"""Told, from a thread of the case, the prints of the card once it is over; empty where they are too few."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardProgress:
    """How far a card is, for the screen."""

    station: str
    title: str
    """The station's."""
    number: int
    """Of the sentence that is asked for, from 1."""
    of: int
    phrase: str
    """The sentence that is asked for; empty once the card is over."""
    news: str
    """The outcome of the sentence that was said last, a clause."""


@dataclass(slots=True)
class _Candidate:
    voice: Voiceprint
    at: float


class CardInCase:
    """One member's card. Used by the threads that hear, and by that of the screen."""

    def __init__(
        self,
        protocol: Protocol,
        station: str,
        done: Done,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`clock` counts seconds."""
        self.station = station
        self._title = next((one.title for one in protocol.station if one.id == station), station)
        self._understanding = understanding_of(protocol)
        self._read = self._understanding.read
        self._card = reading_card(protocol)
        self._done, self._clock = done, clock
        self._encoder: SpeakerEncoder | None = None
        self._lock = threading.RLock()
        self._at, self._tries = 0, 0
        self._prints: list[Voiceprint] = []
        self._waiting: _Candidate | None = None
        """A sentence whose sound is good, and that no ear has understood yet."""
        self._news = _NOTHING
        self._over_at: float | None = None
        self._part: dict[int, list[Samples]] = {}
        self._understood_at = -1
        """The sentence that an ear understood last."""
        self._others = False
        """Whether a call of the case was told in it."""
        self._background = Background("card")

    @property
    def progress(self) -> CardProgress:
        """How far the card is."""
        with self._lock:
            count = len(self._card)
            phrase = "" if self.over else self._card[self._at]
            return CardProgress(
                station=self.station,
                title=self._title,
                number=min(self._at + 1, count),
                of=count,
                phrase=phrase,
                news=self._news,
            )

    @property
    def over(self) -> bool:
        """Return whether nothing more is asked for."""
        return self._over_at is not None

    @property
    def gone(self) -> bool:
        """Return whether nothing is taken from the case any more."""
        return self._over_at is not None and self._clock() - self._over_at > AFTER_S

    def skip(self) -> None:
        """Ask for the next sentence."""
        with self._lock:
            self._go_on("skipped")

    def end(self) -> None:
        """Ask for nothing more; what was read counts where it is enough."""
        with self._lock:
            self._finish()

    def takes(self, words: Sequence[str]) -> bool:
        """Return whether what an ear heard is the card's, and no utterance of the case."""
        with self._lock:
            if self.gone:
                return False
            if self._is_asked(words, self._card[max(self._at - 2, 0) : self._at + 1]):
                if not self.over and self._is_asked(words, self._card[self._at : self._at + 1]):
                    self._understood()
                return True
            if self.over:
                return False
            if self._read(words).kind == "unrecognised":
                return True
            self._others = self._others or not self._near(words)
            return False

    def _is_asked(self, words: Sequence[str], phrases: Sequence[str]) -> bool:
        return any(same_meaning(self._read, words, phrase.split()) for phrase in phrases)

    def _near(self, words: Sequence[str]) -> bool:
        """Return whether it is a call of the kind that is asked for in nearly its words: most likely
        misheard.
        """
        meaning, asked = self._read(words), self._card[self._at]
        own = self._read(asked.split()).reading
        return bool(
            meaning.reading
            and own
            and meaning.reading.call == own.call
            and fuzz.ratio(" ".join(words), asked) >= _ALIKE
        )

    def _understood(self) -> None:
        """An ear understood the sentence: while it was said, or after its end."""
        self._understood_at = self._at
        if self._waiting:
            self._accept(self._waiting.voice)

    def of_case(self, fact: Fact) -> Fact | None:
        """Return a fact of what was heard as the case is to have it: a sentence of the card as speech (see
        `is_of_card`). None where no ear understood it."""
        if not isinstance(fact, Heard | HeardOut) or may_be_help(self._understanding, fact):
            return fact
        words = [word.text for word in fact.words]
        if self.takes(words):
            understood = self._read(words).kind != "unrecognised"
            if isinstance(fact, Heard) and not understood:
                return None
            # Of a HeardOut the beginning was told as another call by then: that was none.
            return as_speech(fact, fact.text if understood else "")
        return fact if self.over else replace(fact, doubts=(*fact.doubts, CARD))

    def follow(
        self, channel: int, events: Sequence[SpeechBegan | SpeechWent | SpeechEnded]
    ) -> None:
        """Take the sound of a channel as it comes, after the case has heard it."""
        for event in events:
            match event:
                case SpeechBegan(_, first):
                    with self._lock:
                        self._part[channel], self._others = [first], False
                case SpeechWent(more) if channel in self._part:
                    self._part[channel].append(more)
                case SpeechEnded() if channel in self._part:
                    sound = np.concatenate(self._part.pop(channel))
                    self._said(sound)
                case _:
                    pass
        with self._lock:
            late = self._waiting and self._clock() - self._waiting.at > LATE_S
            if late and not self.over:
                self._once_more("not understood")

    def _said(self, sound: Samples) -> None:
        with self._lock:
            at = self._at
            if self.over:
                return
            if self._others and self._understood_at != at:
                self._news = "a call of the case was heard: the sentence is still to be read"
                return
            self._background.add(lambda: self._judge(at, sound))

    def _judge(self, at: int, sound: Samples) -> None:
        """Take a sentence's voiceprint; in a thread of its own."""
        do = advice(sound_check(sound))
        if len(sound) < SHORTEST_S * SAMPLE_RATE:
            do.append("that was too short for the sentence")
        if self._encoder is None:
            self._encoder = SpeakerEncoder()
        voice = self._encoder.print_of(sound)
        with self._lock:
            if self.over or at != self._at:
                return
            understood = self._understood_at == at
            if voice is None or do:
                self._once_more("; ".join(do) or "too little of it is voice")
            elif understood or self._tries + 1 >= TRIES:
                self._accept(voice, "understood" if understood else "taken, not understood")
            else:
                self._waiting = _Candidate(voice, self._clock())

    def _accept(self, voice: Voiceprint, news: str = "understood") -> None:
        self._prints.append(voice)
        self._go_on(news)

    def _once_more(self, why: str) -> None:
        self._waiting, self._understood_at = None, -1
        self._tries += 1
        if self._tries >= TRIES:
            self._go_on(f"{why}: left out")
        else:
            self._news = f"{why}: once more, please"

    def _go_on(self, news: str) -> None:
        if self.over:
            return
        self._at, self._tries, self._waiting, self._news = self._at + 1, 0, None, news
        if self._at >= len(self._card):
            self._finish()

    def _finish(self) -> None:
        if self.over:
            return
        self._over_at = self._clock()
        prints = tuple(self._prints)
        self._news = f"{len(prints)} sentences read"
        self._done(prints if len(prints) >= ENOUGH else ())


def may_be_help(understanding: Understanding, fact: Heard | HeardOut) -> bool:
    """Return whether what was heard, or was most likely heard, asks for help: that is the case's own, and
    not in doubt for the sake of anything else."""
    texts = (fact.text, fact.likely)
    return any(understanding.for_help(understanding.read(each.split())) for each in texts if each)


def as_speech(fact: Told, likely: str) -> Told:
    """Return a fact of what was heard as speech that is no call; `likely` are its words, "" for none."""
    unknown = Word(UNKNOWN, fact.t, fact.until, 0.0)
    doubts = (*fact.doubts, CARD)
    return replace(fact, words=(unknown,), confidence=0.0, likely=likely, doubts=doubts)


def is_of_card(fact: Fact) -> bool:
    """Return whether a fact is a sentence of a card, as `CardInCase.of_case` gives it."""
    return isinstance(fact, Heard) and fact.text == UNKNOWN and CARD in fact.doubts


class CardAwareEar:
    """The sure ear of a case in which cards may be read: what is the card's it has not heard."""

    def __init__(
        self,
        ear: SureListener,
        card: Callable[[], CardInCase | None],
        answers: Callable[[str], bool] = lambda _: False,
    ) -> None:
        """`answers` says whether a text that it writes freely answers whether a voice may be known."""
        self._ear, self._card, self._answers = ear, card, answers
        self.name = ear.name

    def hear(self, samples: Samples) -> SureHearing | None:
        """Hear as the sure ear does; without sentences where the best is the card's."""
        return self._of_case(self._ear.hear(samples))

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        """Hear in the same way as a sure ear that can drop a sound."""
        return self._of_case(heard_unless(self._ear, samples, unwanted))

    def _of_case(self, found: SureHearing | None) -> SureHearing | None:
        card = self._card()
        if found is not None and self._answers(found.free):
            return replace(found, sentences=())
        if found is None or card is None or not found.sentences:
            return found
        return replace(found, sentences=()) if card.takes(found.sentences[0].words) else found
