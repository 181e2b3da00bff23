"""The loop that joins source, segments, recogniser, journal and case.

    sound -> speech segments -> words -> utterances -> facts (stored) -> the case -> observers

Hearing happens in the thread that calls `run`; every fact is stored, then folded, then shown, one at a
time. Reading the case from another thread is safe, since its state is an immutable value.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol as Interface

from grammar.case import Case
from grammar.facts import CaseEnded, CaseStarted, Fact, Gap, Heard, Word
from grammar.parse import Understanding
from grammar.view import Utterance
from listener.blocks import Block, Source
from listener.journal import Journal
from listener.recogniser import Hearing, Recogniser, Samples
from listener.recording import Recording
from listener.segments import Segmenter, SpeechBegan, SpeechEnded, SpeechWent, level_dbfs


class Observer(Interface):
    """Told, from the hearing thread, what happens. Must return quickly."""

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """A fact is stored and folded; `utterance` is what it became."""

    def speaking(self, channel: int, words: str) -> None:
        """Words so far of someone who is still speaking; "" once they have ended."""

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        """Sound up to `_t` seconds has gone through; level of each channel."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What a case begins with."""

    weight_kg: float | None
    source: str
    engine: str
    recording: bool


class Live:
    """One case being heard."""

    def __init__(
        self,
        source: Source,
        recogniser: Recogniser,
        case: Case,
        journal: Journal,
        observer: Observer,
        recording: Recording | None,
        clock: Callable[[], datetime],
    ) -> None:
        self._source = source
        self._recogniser = recogniser
        self._case = case
        self._journal = journal
        self._observer = observer
        self._recording = recording
        self._clock = clock
        self._understanding = Understanding(case.protocol)
        self._segmenters = [Segmenter() for _ in range(source.channels)]
        self._hearing: list[tuple[float, Hearing] | None] = [None] * source.channels
        self._stopped = False
        self._telling = threading.Lock()
        self.now = 0.0
        """Seconds of sound that have gone through."""

    def begin(self, opening: Opening) -> None:
        """Store that the case began."""
        self.tell(
            CaseStarted(
                wall=self._clock().isoformat(timespec="seconds"),
                protocol=self._case.protocol.protocol.id,
                weight_kg=opening.weight_kg,
                engine=opening.engine,
                recording=opening.recording,
                source=opening.source,
            )
        )

    def run(self) -> None:
        """Hear the source to its end, or until `stop`; then the case is ended and closed."""
        try:
            for block in self._source.blocks():
                if self._stopped:
                    break
                self._take(block)
            for channel, segmenter in enumerate(self._segmenters):
                self._follow(channel, segmenter.flush())
            self.tell(CaseEnded(t=self.now, wall=self._clock().isoformat(timespec="seconds")))
        finally:
            if self._recording:
                self._recording.close()

    def stop(self) -> None:
        """End after the block in hand. May be called from another thread."""
        self._stopped = True

    def tell(self, fact: Fact) -> Utterance | None:
        """Store a fact, fold it, show it. A person at the keyboard may tell one from another thread."""
        with self._telling:
            stored = self._journal.append(fact)
            utterance = self._case.add(stored)
            self._observer.heard(stored, utterance)
        return utterance

    def _take(self, block: Block) -> None:
        if block.lost_s:
            lost = Gap(t=block.t - block.lost_s, until=block.t, reason="the input lost sound")
            self.tell(lost)
        if self._recording:
            self._recording.write(block.samples)
        self.now = block.t + len(block.samples) / self._source.rate
        levels = []
        for channel, segmenter in enumerate(self._segmenters):
            samples = block.samples[:, channel]
            levels.append(level_dbfs(samples))
            self._follow(channel, segmenter.push(samples))
        self._observer.block(self.now, levels)

    def _follow(
        self, channel: int, events: Sequence[SpeechBegan | SpeechWent | SpeechEnded]
    ) -> None:
        for event in events:
            match event:
                case SpeechBegan(t, samples):
                    hearing = self._recogniser.open()
                    self._hearing[channel] = (t, hearing)
                    self._feed(channel, hearing, samples)
                case SpeechWent(samples):
                    here = self._hearing[channel]
                    if here:
                        self._feed(channel, here[1], samples)
                case SpeechEnded():
                    self._end(channel)

    def _feed(self, channel: int, hearing: Hearing, samples: Samples) -> None:
        hearing.accept(samples)
        words = hearing.partial()
        if words:
            self._observer.speaking(channel + 1, words)

    def _end(self, channel: int) -> None:
        here = self._hearing[channel]
        self._hearing[channel] = None
        if here is None:
            return
        began, hearing = here
        words = [
            Word(word.text, began + word.start, began + word.end, word.confidence)
            for word in hearing.finish()
        ]
        self._observer.speaking(channel + 1, "")
        for cut in self._understanding.utterances(words):
            self.tell(
                Heard(
                    t=cut[0].start,
                    until=cut[-1].end,
                    channel=channel + 1,
                    words=tuple(cut),
                    engine=self._recogniser.name,
                )
            )
