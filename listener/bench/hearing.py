"""Clips heard the way a case is heard: segments, recogniser, a journal on disk, the fold."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from grammar.case.amendments import effective
from grammar.case.facts import Fact, Heard, HeardOut
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.protocol.model import Protocol
from listener.audio.blocks import Block, paced, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.verifier import second_listener
from listener.live import Live
from listener.recognition.recogniser import Recogniser
from listener.storage.journal import Journal


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

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        if utterance is not None:
            self.stored[fact.seq] = time.monotonic()
        elif isinstance(fact, HeardOut):
            self.stored[fact.target] = time.monotonic()

    def speaking(self, channel: int, words: str) -> None:
        """Nobody watches."""

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        """Nobody watches."""


class Ear:
    """One protocol's listeners; each clip that they hear is a case of its own under `cases`."""

    def __init__(self, protocol: Protocol, recogniser: Recogniser, cases: Path) -> None:
        self.protocol = protocol
        self._recogniser = recogniser
        self._second = second_listener(protocol, recogniser)
        self._cases = cases

    def hear(self, samples: Samples, *, real_pace: bool = False) -> list[Caught]:
        """Return the facts at the end of a case that begins with this clip."""
        case, watch = Case(self.protocol), _Watch()
        now = datetime.now().astimezone()
        journal = Journal.create(self._cases, self.protocol.protocol.id, "", now)
        live = Live(
            _Clip(samples, real_pace=real_pace),
            self._recogniser,
            case,
            journal,
            watch,
            None,
            lambda: datetime.now().astimezone(),
            second=self._second,
        )
        began = time.monotonic()
        live.run()
        live.keeper.finish()
        journal.close()
        standing = effective(case.facts)
        heard = {seq: each.fact for seq, each in standing.items() if isinstance(each.fact, Heard)}
        return [
            Caught(line.utterance, watch.stored[line.fact] - began, heard[line.fact].evidence)
            for line in case.view(live.now).log
            if line.utterance
        ]


def words_of(recogniser: Recogniser, samples: Samples) -> list[str]:
    """The words of a clip, without a protocol's grammar."""
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
