"""Clips heard the way a case is heard: segments, recogniser, a journal on disk, the fold."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from grammar.case.amendments import effective
from grammar.case.facts import Doubted, Fact, Heard, HeardOut, SecondHearing
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.meaning import Meaning
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from listener.audio.blocks import Block, paced, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.judging_two_ears import QuickReading, judged, said
from listener.confidence.storing_verdicts import Noting
from listener.confidence.supervised_sure_ear import SureListener
from listener.confidence.verifier import second_listener
from listener.live import Live
from listener.recognition.calibration import two_ears
from listener.recognition.recogniser import Recogniser
from listener.storage.journal import Journal

QUICK, SURE, BOTH = "quick ear", "sure ear", "both ears"


@dataclass(frozen=True, slots=True)
class Caught:
    """One utterance as it stands at the clip's end, and how long after its sound it was stored."""

    said: Utterance
    stored: float
    """Seconds from the clip's start, by the wall clock."""
    evidence: tuple[tuple[str, float], ...] = ()
    """Evidence that its confidence was worked out from."""


class _Clip:
    """Samples as a source, at real pace or as fast as they are heard."""

    channels = 1
    rate = SAMPLE_RATE

    def __init__(self, samples: Samples, *, real_pace: bool) -> None:
        self.name = "clip"
        self.live = real_pace
        self._samples = samples

    def blocks(self) -> Iterator[Block]:
        blocks = reblocked(iter([self._samples[:, None]]))
        return paced(blocks, time.sleep, time.monotonic) if self.live else blocks


class _Watch:
    """Notes when each fact was stored."""

    def __init__(self) -> None:
        self.stored: dict[int, float] = {}
        self.settled: dict[int, float] = {}
        """By utterance, when the sure ear first had its say; it may hear the sound again."""

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        if utterance is not None:
            self.stored[fact.seq] = time.monotonic()
        elif isinstance(fact, HeardOut):
            self.stored[fact.target] = time.monotonic()
        elif isinstance(fact, SecondHearing):
            self.settled.setdefault(fact.target, time.monotonic())

    def speaking(self, channel: int, words: str) -> None:
        """Nobody watches."""

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        """Nobody watches."""


class Ear:
    """One protocol's listeners; each clip that they hear is a case of its own under `cases`."""

    def __init__(
        self,
        protocol: Protocol,
        recogniser: Recogniser,
        cases: Path,
        sure: SureListener | None = None,
        noting: Noting | None = None,
    ) -> None:
        self._noting = noting
        self.protocol = protocol
        self._recogniser = recogniser
        self._sure = sure
        self._verifier = None if sure else second_listener(protocol, recogniser)
        self._cases = cases

    def hear(self, samples: Samples, *, real_pace: bool = False) -> list[Caught]:
        """Return what a case that begins with this clip holds at its end."""
        return self.hear_apart(samples, real_pace=real_pace)[BOTH if self._sure else QUICK]

    def hear_apart(self, samples: Samples, *, real_pace: bool = False) -> dict[str, list[Caught]]:
        """Return the same by the ears that heard it: with a sure ear `BOTH`, and each as if alone."""
        case, watch = Case(self.protocol), _Watch()
        now = datetime.now().astimezone()
        journal = Journal.create(self._cases, self.protocol.protocol.id, "", began=now)
        live = Live(
            source=_Clip(samples, real_pace=real_pace),
            recogniser=self._recogniser,
            case=case,
            journal=journal,
            observer=watch,
            flac_writer=None,
            clock=lambda: datetime.now().astimezone(),
            verifier=self._verifier,
            sure_ear=self._sure,
            noting=self._noting,
        )
        began = time.monotonic()
        live.run()
        live.fact_writer.finish()
        journal.close()
        facts = case.facts
        quick = [fact for fact in facts if not isinstance(fact, SecondHearing)]
        stored = {seq: at - began for seq, at in watch.stored.items()}
        found = {QUICK: _caught(self.protocol, quick, stored)}
        if self._sure:
            settled = stored | {seq: at - began for seq, at in watch.settled.items()}
            found[BOTH] = _caught(self.protocol, facts, settled)
            found[SURE] = _caught(self.protocol, list(_sure_alone(facts)), settled)
        return found


def _caught(protocol: Protocol, facts: Sequence[Fact], stored: Mapping[int, float]) -> list[Caught]:
    case = Case(protocol)
    for fact in facts:
        case.add(fact)
    standing = effective(facts)
    heard = {seq: each.fact for seq, each in standing.items() if isinstance(each.fact, Heard)}
    lines = [line.utterance for line in case.state.log if line.utterance]
    return [Caught(said, stored[said.fact], heard[said.fact].evidence) for said in lines]


def _sure_alone(facts: Sequence[Fact]) -> Iterator[Fact]:
    """Yield the facts as though the sure ear alone had heard: its own words, as sure as both were."""
    second = {fact.target: fact for fact in facts if isinstance(fact, SecondHearing)}
    for fact in facts:
        match fact:
            case SecondHearing() | HeardOut() | Doubted():
                continue
            case Heard() if fact.seq in second:
                own = second[fact.seq]
                yield replace(
                    fact,
                    words=own.words,
                    confidence=own.confidence,
                    doubts=own.doubts,
                    evidence=own.evidence,
                )
            case Heard():
                unknown = Word(UNKNOWN, fact.t, fact.until, 0.0)
                yield replace(fact, words=(unknown,), doubts=(), confidence=0.0)
            case _:
                yield fact


def words_of(recogniser: Recogniser, samples: Samples) -> list[str]:
    """Return the words of a clip, without a protocol's grammar."""
    segmenter = Segmenter()
    words: list[str] = []
    hearing = None
    for event in [*segmenter.push(samples), *segmenter.flush()]:
        match event:
            case SpeechBegan(_, first):
                hearing = recogniser.open()
                hearing.accept(first)
            case SpeechWent(more) if hearing:
                hearing.accept(more)
            case SpeechEnded() if hearing:
                words += [word.text for word in hearing.finish()]
    return words


class LoneWords:
    """Listeners for lone words, without a protocol."""

    def __init__(self, recogniser: Recogniser, sure: SureListener | None) -> None:
        self._recogniser = recogniser
        self._sure = sure

    def hear(self, samples: Samples) -> dict[str, list[str]]:
        """Return the words of a clip by the ears that heard them, as `Ear.hear_apart` does."""
        quick = words_of(self._recogniser, samples)
        found = {QUICK: quick}
        hearing = self._sure.hear(samples) if self._sure else None
        if self._sure:
            best = hearing.sentences[0].words if hearing and hearing.sentences else ()
            found[SURE] = list(best)
            told = QuickReading(tuple(said(quick)), LONE)
            both = judged(told, hearing, _as_words, two_ears()) if hearing else None
            better = both is not None and both.verdict in ("puts-right", "rescues")
            found[BOTH] = list(both.words) if both and better else quick
        return found


LONE = 0.8
"""Confidence of the quick ear in a lone word: there is no protocol whose calls it was fitted on."""


def _as_words(words: Sequence[str]) -> Meaning:
    """Return words as though each were a meaning of its own."""
    return Meaning("proword", prowords=(" ".join(words),))
