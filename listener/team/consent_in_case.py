"""Somebody who joins a case says yes aloud, while the case goes on hearing all that is said.

It listens only as long as the question stands on the screen, to speech that begins after it came. The yes
is one whole sentence, "yes, for this case only": the quick ear must hear just that, and be sure of it, and
the sure ear, where it is installed, must write the same freely. The case hears the sentence too: a call it
made of it is taken back as speech, with its words as the likely ones. Whatever may be a call for help
stands.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from grammar.case.facts import Fact, Heard, HeardOut, heard_out
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.background import Background
from listener.confidence.supervised_sure_ear import SureListener, heard_unless
from listener.recognition.sure_ear import SureHearing
from listener.team.card_in_case import as_speech, may_be_help
from listener.team.spoken_consent import SENTENCES, Answer, ConsentEar


@dataclass(frozen=True, slots=True)
class _Stretch:
    channel: int
    """From 1."""
    began: float
    ended: float

    def holds(self, fact: Heard | HeardOut, channel: int) -> bool:
        return channel == self.channel and fact.t < self.ended and fact.until > self.began


class ConsentInCase:
    """One question whether a voice may be known. Used by the threads of the hearing and of the screen."""

    def __init__(
        self,
        ear: Callable[[], ConsentEar],
        understanding: Understanding,
        tell: Callable[[Fact], object],
    ) -> None:
        """`ear` is made in a thread of its own; `tell` stores a fact, from that thread."""
        self._make, self._understanding, self._tell = ear, understanding, tell
        self._ear: ConsentEar | None = None
        self._lock = threading.Lock()
        self._part: dict[int, tuple[float, list[Samples]]] = {}
        self._heard: dict[int, Heard] = {}
        """By their numbers the facts of what was heard up to the end of the yes, if there was one."""
        self._answer: Answer | None = None
        self._yes: _Stretch | None = None
        self._closed = False
        self.unclear = 0
        """Stretches of speech that were no answer."""
        self._background = Background("consent")
        self._background.add(self._load)

    @property
    def answer(self) -> Answer | None:
        """The answer that was heard, "case" or "no"; None before there is one."""
        return self._answer

    def close(self) -> None:
        """Take no more answers: the question is gone."""
        with self._lock:
            self._closed = True
            if self._yes is None:
                self._heard.clear()

    def follow(
        self,
        channel: int,
        events: Sequence[SpeechBegan | SpeechWent | SpeechEnded],
        origin_s: float = 0.0,
    ) -> None:
        """Take the sound of a channel, from 0, as it comes; its times count from `origin_s` on the case's
        clock."""
        for event in events:
            match event:
                case SpeechBegan(t, first) if not self._over:
                    self._part[channel] = origin_s + t, [first]
                case SpeechWent(more) if channel in self._part:
                    self._part[channel][1].append(more)
                case SpeechEnded() if channel in self._part:
                    began, pieces = self._part.pop(channel)
                    self._ended(channel, began, np.concatenate(pieces))
                case _:
                    pass

    @property
    def _over(self) -> bool:
        return self._closed or self._answer is not None

    def _ended(self, channel: int, began: float, sound: Samples) -> None:
        stretch = _Stretch(channel + 1, began, began + len(sound) / SAMPLE_RATE)
        self._background.add(lambda: self._judge(stretch, sound))

    def of_case(self, fact: Fact) -> Fact:
        """Return a fact of what was heard as the case is to have it: the yes is no call."""
        if not isinstance(fact, Heard | HeardOut):
            return fact
        with self._lock:
            yes = self._yes
            first = fact if isinstance(fact, Heard) else self._heard.get(fact.target)
        if yes is None or first is None or not yes.holds(fact, first.channel):
            return fact
        if may_be_help(self._understanding, fact):
            return fact
        return as_speech(fact, "" if fact.text == UNKNOWN else fact.text)

    def heard(self, fact: Fact, seq: int) -> None:
        """Take note of a fact of what was heard that is stored as number `seq`."""
        if isinstance(fact, Heard):
            with self._lock:
                if fact.t < self._yes.ended if self._yes else not self._over:
                    self._heard[seq] = fact

    def is_yes(self, written: str) -> bool:
        """Return whether a text that the sure ear wrote freely may be the yes, and so is no call."""
        asked = not self._closed or self._yes is not None
        return asked and SENTENCES.get(written.strip()) == "case"

    def _load(self) -> None:
        self._ear = self._make()

    def _judge(self, stretch: _Stretch, sound: Samples) -> None:
        if self._over or self._ear is None:
            return
        found = self._ear.answer(sound)
        with self._lock:
            if self._over:
                return
            if found not in ("case", "no"):
                self.unclear += 1
                return
            self._yes = stretch if found == "case" else None
            self._answer = found
            if found == "no":
                self._heard.clear()
            said = [
                (seq, one)
                for seq, one in self._heard.items()
                if stretch.holds(one, one.channel) and one.text != UNKNOWN
            ]
        for seq, one in said:
            if not may_be_help(self._understanding, one):
                self._tell(as_speech(heard_out(one, seq), one.text))


class OneAtATime:
    """A sure ear that several threads may ask: one waits for the other."""

    def __init__(self, ear: SureListener) -> None:
        self._ear, self._lock = ear, threading.Lock()
        self.name = ear.name

    def hear(self, samples: Samples) -> SureHearing | None:
        """Hear as the sure ear does."""
        with self._lock:
            return self._ear.hear(samples)

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        """Hear as a sure ear that can drop a sound does."""
        with self._lock:
            return heard_unless(self._ear, samples, unwanted)
