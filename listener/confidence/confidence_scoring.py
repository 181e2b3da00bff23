"""Says of each utterance how sure it is, with the second listener's help, before or after it is stored.

From a file the second listener is waited for, so that an utterance is stored with its doubts. Of sound
that happens now an utterance is stored at once; the second listener works in a thread of its own, and
what it doubts is told as a fact of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from grammar.case.amendments import confidence_of
from grammar.case.facts import Doubted, Heard, HeardOut, heard_out
from grammar.case.view import Utterance
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.background import Background
from listener.confidence.evidence import evidence
from listener.confidence.judging_two_ears import ONE_EAR
from listener.confidence.verifier import Opinion, Verifier
from listener.recognition.calibration import STRICTER, Evidence, less_sure
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Recogniser

SECOND_LISTENER = "second-listener"

CLOSE: Final = 2.0
"""Nats: what our network heard is marked where it leads the best reading that means anything else by less.
Of 129 orders by people it heard 76 rightly and 14 wrongly, with such a lead 56 and 1."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An utterance as it was stored: the number of its fact, and what the fact holds."""

    seq: int
    heard: Heard


class ConfidenceScoring:
    """Gives each utterance its confidence and stores it in the journal, with the second listener's doubts
    where there is one.
    """

    def __init__(
        self,
        recogniser: Recogniser,
        understanding: Understanding,
        verifier: Verifier | None,
        store: Callable[[Heard | HeardOut | Doubted], Utterance | None],
        *,
        live: bool,
        stricter: float = 0.0,
    ) -> None:
        """`live`: the sound happens now, and nobody may be kept waiting. `stricter` log-odds are taken off
        what is told, for the team that speaks."""
        self._stricter = stricter
        self._calibration = recogniser.calibration
        self._read = understanding.read
        self._verifier = verifier
        self._store = store
        self._background = Background("second listener") if live and verifier else None
        self._asked: dict[int, Sequence[Word]] = {}
        """By fact the words that the second listener is still to say something about, no longer than that:
        a case may go on for hours."""
        self._asking = threading.Lock()

    def tell(
        self,
        heard: Heard,
        cut: Sequence[Word],
        alternatives: Sequence[Alternative],
        sound: Samples,
        instead_of: int | None = None,
    ) -> Kept | None:
        """Store an utterance; return the stored fact, or None where nothing could be stored.

        `cut` are its words, timed in seconds from the start of the segment `sound`, shape (n,).
        `instead_of` is the fact of its beginning, where that was stored already.
        """
        verifier = self._verifier if self._verifier and self._verifier.wanted(cut) else None
        if verifier is None or self._background:
            assessed = self._assessed(heard, cut, alternatives, sound, None)
            if assessed.text == UNKNOWN:
                verifier = None  # it has nothing to agree with
            kept = self._kept(assessed, instead_of)
            if self._background and kept is not None:
                seq = kept.seq
                with self._asking:
                    self._asked.pop(seq, None)  # of its beginning: the whole is asked about, if any
                    if verifier:
                        self._asked[seq] = cut
                if verifier:
                    self._background.add(
                        lambda: self._afterwards(
                            verifier, seq, heard.until, cut, alternatives, sound
                        )
                    )
            return kept
        opinion = verifier.opinion(sound, cut, alternatives)
        assessed = self._assessed(heard, cut, alternatives, sound, opinion)
        if opinion and not opinion.agrees and assessed.text != UNKNOWN:
            assessed = replace(assessed, doubts=(*assessed.doubts, SECOND_LISTENER))
        return self._kept(assessed, instead_of)

    def confidence(
        self, cut: Sequence[Word], alternatives: Sequence[Alternative], sound: Samples
    ) -> float:
        """Return how sure an utterance is before the second listener was asked, 0 to 1."""
        heard = Heard(t=cut[0].start, until=cut[-1].end, words=tuple(cut))
        return confidence_of(self._assessed(heard, cut, alternatives, sound, None))

    def _kept(self, heard: Heard, instead_of: int | None) -> Kept | None:
        if instead_of is not None:
            self._store(heard_out(heard, instead_of))
            return Kept(instead_of, heard)
        told = self._store(heard)
        return Kept(told.fact, heard) if told else None

    def finish(self) -> None:
        """Wait for what the second listener still has to say."""
        if self._background:
            self._background.finish()

    def _afterwards(
        self,
        verifier: Verifier,
        seq: int,
        until: float,
        cut: Sequence[Word],
        alternatives: Sequence[Alternative],
        sound: Samples,
    ) -> None:
        if self._asked.get(seq) is not cut:
            return  # its speaker went on
        opinion = verifier.opinion(sound, cut, alternatives)
        with self._asking:
            still = self._asked.get(seq) is cut
            if still:
                del self._asked[seq]
        if still and opinion and not opinion.agrees:
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
        segment_s = len(sound) / SAMPLE_RATE
        found: Evidence = evidence(cut, alternatives, segment_s, opinion, self._read)
        confidence = round(self._calibration.confidence(found), 4)
        assessed = replace(heard, confidence=confidence, evidence=tuple(found.items()))
        if heard.text == UNKNOWN:
            return replace(assessed, likely=_likeliest(cut, alternatives))
        if confidence >= self._calibration.least:
            if self._calibration.knows("apart") and found["apart"] < CLOSE:
                assessed = replace(assessed, doubts=(*heard.doubts, ONE_EAR))
            if not self._stricter:
                return assessed
            told = less_sure(confidence, self._stricter)
            reasons = (*found.items(), (STRICTER, self._stricter))
            return replace(assessed, confidence=told, evidence=reasons)
        # Speech it was; which words would be a guess.
        unknown = Word(UNKNOWN, heard.words[0].start, heard.words[-1].end, confidence)
        return replace(assessed, words=(unknown,), likely=_likeliest(cut, alternatives))


def _likeliest(cut: Sequence[Word], alternatives: Sequence[Alternative]) -> str:
    """Return the words that were heard, or those of the best sentence that has any; "" without."""
    sentences = [cut, *(each.words for each in sorted(alternatives, key=lambda a: -a.score))]
    texts = (" ".join(w.text for w in words if w.text != UNKNOWN) for words in sentences)
    return next(filter(None, texts), "")
