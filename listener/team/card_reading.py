"""A member reads the card: each sentence is heard, its sound checked, and its voiceprint taken.

Nothing is written: sound is dropped as soon as its sentence is heard, and prints are the caller's to keep.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grammar.language.meaning import bound_of_doubt
from grammar.language.parse import understanding_of
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from listener.audio.blocks import Source
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sound_quality import advice, sound_check
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.evidence import told_confidence
from listener.confidence.judging_two_ears import QuickReading, judged, said, same_meaning
from listener.confidence.supervised_sure_ear import SureListener
from listener.recognition.calibration import two_ears
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Recogniser
from listener.recognition.sure_ear import SureHearing
from listener.team.doubt_fitting import BOTH, Weighed
from listener.team.ear_comparison import ASIDE, SURE
from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.speaker_encoder.encoder import Voiceprint

PATIENCE_S: Final = 12.0
"""Seconds of sound for which a sentence is waited for."""
SHORTEST_S: Final = 0.8
"""A sentence of the card takes longer."""
ENOUGH: Final = 5
"""Sentences of good sound without which nobody is known."""
QUICK: Final = "quick ear"

Wish = Callable[[], str]
"""Its user's wish meanwhile: "" to go on, "skip" this sentence, "leave" the card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """One sentence of the card as it was read."""

    phrase: str
    heard: tuple[tuple[str, str], ...]
    """By ear, the words it heard."""
    understood: tuple[str, ...]
    """The ears that understood it."""
    do: tuple[str, ...]
    """Cures for its sound, each a sentence; empty where it is good."""
    voice: Voiceprint | None
    """None where too little of it is voice."""
    sound: Samples = field(repr=False)
    """Its sound, for the ears to be compared on; kept nowhere."""
    told: tuple[tuple[str, float, bool, float], ...] = ()
    """By ear that told it without a doubt, or both together: how sure it was, whether it was right, and the
    protocol's bound of doubt for what was told."""

    @property
    def good(self) -> bool:
        """Return whether its voice can be used and one of the ears understood it."""
        return self.usable and bool(self.understood)

    @property
    def usable(self) -> bool:
        """Return whether its voice can be used, whatever the ears made of it."""
        return self.voice is not None and not self.do


class CardReading:
    """Sentences from one source, one after the other."""

    def __init__(
        self,
        source: Source,
        protocol: Protocol,
        recogniser: Recogniser,
        sure: SureListener | None,
        channel: int = 0,
    ) -> None:
        """`channel` of the source, from 0, is heard."""
        self._read, self._head = understanding_of(protocol).read, protocol.protocol
        self._recogniser, self._sure = recogniser, sure
        self._encoder = SpeakerEncoder()
        self._wish: Wish = lambda: ""
        self._level: Callable[[float], None] = lambda _: None
        self._stretches = self._heard_from(source, channel)

    def sentence(
        self,
        phrase: str,
        wish: Wish = lambda: "",
        level: Callable[[float], None] = lambda _: None,
    ) -> Sentence | str:
        """Return what came of a sentence that was asked for; "silent" where nobody spoke in time, "ended"
        where the sound did, "skip" or "leave" where its user wanted so. `level` is told the loudness, 0
        to 1."""
        self._wish, self._level = wish, level
        found = next(self._stretches, "ended")
        return found if isinstance(found, str) else self._judged(phrase, *found)

    def _judged(self, phrase: str, sound: Samples, around: Samples) -> Sentence:
        check = sound_check(around)
        do = advice(check)
        seconds = len(sound) / SAMPLE_RATE
        if seconds < SHORTEST_S:
            do.append("that was too short for the sentence")
        hearing = self._recogniser.open()
        hearing.accept(sound)
        words = hearing.finish()
        heard = {QUICK: " ".join(word.text for word in words)}
        quick = self._quick_reading(words, hearing.alternatives, seconds)
        told = list(self._told(phrase, quick))
        if self._sure:
            surely = self._sure.hear(sound)
            heard[SURE] = " ".join(surely.sentences[0].words) if surely and surely.sentences else ""
            if surely:
                told += self._told_by_both(phrase, quick, surely)
        understood = tuple(ear for ear, words in heard.items() if self._is(phrase, words.split()))
        voice = self._encoder.print_of(sound)
        return Sentence(
            phrase=phrase,
            heard=tuple(heard.items()),
            understood=understood,
            do=tuple(do),
            voice=voice,
            sound=sound,
            told=tuple(told),
        )

    def _quick_reading(
        self, words: Sequence[Word], found: Sequence[Alternative], seconds: float
    ) -> QuickReading:
        """Return what the quick ear would have told in a case, and how sure it was."""
        texts, calibration = said(word.text for word in words), self._recogniser.calibration
        if calibration is None:
            mean = sum(word.confidence for word in words) / max(len(words), 1)
            return QuickReading(texts, mean)
        if not texts or self._read(texts).kind == "unrecognised":
            return QuickReading((), 0.0)
        sure = told_confidence(calibration, words, found, seconds, self._read)
        return QuickReading((), 0.0) if sure is None else QuickReading(texts, sure)

    def _told(self, phrase: str, quick: QuickReading) -> Iterator[tuple[str, float, bool, float]]:
        """Yield how sure the quick ear was, where it told a call and its sureness means anything."""
        if quick.words and self._recogniser.calibration is not None:
            right, bound = self._is(phrase, quick.words), self._bound(quick.words)
            yield self._recogniser.name, quick.confidence, right, bound

    def _told_by_both(
        self, phrase: str, quick: QuickReading, surely: SureHearing
    ) -> Iterator[tuple[str, float, bool, float]]:
        """Yield how sure both ears were, where they told a call without a doubt."""
        found = judged(quick, surely, self._read, two_ears(self._head.language))
        if found and found.verdict not in ("rejects", "doubts") and not found.doubts:
            yield BOTH, found.confidence, self._is(phrase, found.words), self._bound(found.words)

    def _bound(self, words: Sequence[str]) -> float:
        """Return the confidence below which the protocol marks these words."""
        return bound_of_doubt(self._head, self._read(words))

    def _is(self, phrase: str, words: Sequence[str]) -> bool:
        return same_meaning(self._read, words, phrase.split())

    def _heard_from(self, source: Source, channel: int) -> Iterator[tuple[Samples, Samples] | str]:
        """Yield each stretch of speech, with the sound since the one before; "silent" after each
        PATIENCE_S without one; a wish as soon as there is one."""
        segmenter, waited_s, speaking = Segmenter(), 0.0, False
        part: list[Samples] = []
        around: list[Samples] = []
        for block in source.blocks():
            samples = block.samples[:, min(channel, block.samples.shape[1] - 1)]
            around.append(samples)
            waited_s += len(samples) / SAMPLE_RATE
            self._level(float(np.abs(samples.astype(np.int32)).max(initial=0)) / 32768)
            if wanted := self._wish():
                yield wanted
                segmenter, speaking, waited_s, part, around = Segmenter(), False, 0.0, [], []
                continue
            for event in segmenter.push(samples):
                speaking = _followed(event, part, speaking)
                if isinstance(event, SpeechEnded) and part:
                    yield np.concatenate(part), np.concatenate(around)
                    waited_s, part, around = 0.0, [], []
            if waited_s > PATIENCE_S and not speaking:
                waited_s, around = 0.0, []
                yield "silent"
        for event in segmenter.flush():
            _followed(event, part, speaking)
            if isinstance(event, SpeechEnded) and part:
                yield np.concatenate(part), np.concatenate(around)


def usable_prints(sentences: Sequence[Sentence]) -> tuple[Voiceprint, ...]:
    """Return the prints of the sentences whose sound was good."""
    return tuple(one.voice for one in sentences if one.voice is not None and one.usable)


def weighed(sentences: Sequence[Sentence]) -> tuple[Weighed, ...]:
    """Return how sure the ears were of the sentences that they told, those kept aside told apart."""
    return tuple(
        Weighed(ear=ear, confidence=sure, right=right, bound=bound, aside=at % ASIDE == 0)
        for at, one in enumerate(sentences)
        for ear, sure, right, bound in one.told
    )


def _followed(
    event: SpeechBegan | SpeechWent | SpeechEnded, part: list[Samples], speaking: bool
) -> bool:
    match event:
        case SpeechBegan(_, samples):
            part[:] = [samples]
            return True
        case SpeechWent(samples):
            part.append(samples)
            return speaking
        case SpeechEnded():
            return False
