"""Says of each utterance how sure it is, with the second listener's help, before or after it is stored.

From a file the second listener is waited for, so that an utterance is stored with its doubts. Of sound
that happens now an utterance is stored at once; the second listener works in a thread of its own, and
what it doubts is told as a fact of its own.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace

from grammar.facts import Doubted, Heard, Word
from grammar.view import Utterance
from listener.alternatives import Alternative
from listener.confidence import Evidence, evidence, shipped
from listener.recogniser import SAMPLE_RATE, Recogniser, Samples
from listener.second import Opinion, Second

SECOND_LISTENER = "second-listener"


class Doubting:
    """Between what was heard and the journal."""

    def __init__(
        self,
        recogniser: Recogniser,
        second: Second | None,
        store: Callable[[Heard | Doubted], Utterance | None],
        *,
        live: bool,
    ) -> None:
        """`live`: the sound happens now, and nobody may be kept waiting."""
        self._calibration = shipped() if recogniser.calibrated else None
        self._second = second
        self._store = store
        self._background = _Background() if live and second else None

    def tell(
        self,
        heard: Heard,
        cut: Sequence[Word],
        alternatives: Sequence[Alternative],
        sound: Samples,
    ) -> None:
        """Store an utterance; `cut` are its words, timed from the start of the segment `sound`."""
        second = self._second if self._second and self._second.wanted(cut) else None
        if second is None or self._background:
            told = self._store(self._assessed(heard, cut, alternatives, sound, None))
            if second and self._background and told:
                seq = told.fact
                self._background.add(
                    lambda: self._afterwards(second, seq, heard.until, cut, alternatives, sound)
                )
            return
        opinion = second.opinion(sound, cut, alternatives)
        assessed = self._assessed(heard, cut, alternatives, sound, opinion)
        if opinion and not opinion.agrees:
            assessed = replace(assessed, doubts=(*assessed.doubts, SECOND_LISTENER))
        self._store(assessed)

    def finish(self) -> None:
        """Wait for what the second listener still has to say."""
        if self._background:
            self._background.finish()

    def _afterwards(
        self,
        second: Second,
        seq: int,
        until: float,
        cut: Sequence[Word],
        alternatives: Sequence[Alternative],
        sound: Samples,
    ) -> None:
        opinion = second.opinion(sound, cut, alternatives)
        if opinion and not opinion.agrees:
            self._store(Doubted(t=until, target=seq, reason=SECOND_LISTENER, words=opinion.words))

    def _assessed(
        self,
        heard: Heard,
        cut: Sequence[Word],
        alternatives: Sequence[Alternative],
        sound: Samples,
        opinion: Opinion | None,
    ) -> Heard:
        if self._calibration is None:
            return heard
        found: Evidence = evidence(cut, alternatives, len(sound) / SAMPLE_RATE, opinion)
        confidence = round(self._calibration.confidence(found), 4)
        return replace(heard, confidence=confidence, evidence=tuple(found.items()))


class _Background:
    """Work done in order in a thread of its own, so that it holds up nobody."""

    def __init__(self) -> None:
        self._jobs: queue.Queue[Callable[[], None] | None] = queue.Queue()
        self._thread = threading.Thread(target=self._work, name="second listener", daemon=True)
        self._thread.start()

    def add(self, job: Callable[[], None]) -> None:
        self._jobs.put(job)

    def finish(self) -> None:
        """Wait until all is done. Nothing may be added after."""
        self._jobs.put(None)
        self._thread.join()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
