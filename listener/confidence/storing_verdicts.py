"""Has the sure ear hear each stretch of speech, and stores what both ears make of it.

From a file it is waited for. Of sound that happens now it works in a thread of its own, from the first
pause that may be the speaker's last, and what it finds is told as a further fact.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from rapidfuzz import fuzz

from grammar.case.facts import Heard, SecondHearing, Warned
from grammar.case.view import Utterance
from grammar.language.parse import Understanding
from grammar.language.words import Word
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.background import Background
from listener.confidence.judging_two_ears import (
    ALONE,
    ONE_EAR,
    Judgement,
    QuickReading,
    as_one,
    call_of_guess,
    judged,
    left_open,
    marked,
    possible_readings,
)
from listener.confidence.stretch import NARROWER_S, Ahead, Piece, Stretch, Told, part_of
from listener.confidence.supervised_sure_ear import SureListener, heard_unless
from listener.recognition.calibration import Calibration
from listener.recognition.grammar_beam import never
from listener.recognition.sure_ear import SureHearing

SHORTEST_S: Final = 0.3
SURE: Final = ALONE
"""A reading of a whole stretch that is less sure than this is held against readings of its pieces."""
AGAIN: Final = 0.05
"""A sound is heard again, changed, where some reading of it is as likely as this and none is `SURE`. In
kitchen noise hardly any stretch without a voice comes to this, and the orders by people that were lost or
wrong came to more."""
TOLD_AT_ONCE: Final = ("confirms", "doubts", "rescues")
"""Verdicts told as they are before a sound is heard again. The others take away what the quick ear told,
and would have to give it back where the sound, heard again, agrees with it: till then it is in doubt."""
BEYOND: Final = 1.25
HOLDS: Final = 80.0
"""A free text that is longer than the best sentence by this factor, and so alike to it in a part of its
own (rapidfuzz's partial ratio), holds another sentence."""
BEHIND_S: Final = 12.0
"""A stretch of speech that has waited so long is passed over: its verdict would come too late."""


Noting = Callable[[QuickReading, SureHearing], None]


class SecondHearings:
    """Asks the sure ear about each stretch of speech that the quick ear told, and stores the judgements in
    the journal.
    """

    def __init__(
        self,
        ear: SureListener,
        understanding: Understanding,
        calibration: Calibration,
        store: Callable[[Heard | SecondHearing | Warned], Utterance | None],
        *,
        live: bool,
        noting: Noting | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`live`: the sound happens now, and nobody may be kept waiting. `noting` is given what both ears
        made of each stretch of speech, before it is judged. `clock` counts seconds."""
        # scipy.signal takes most of a second to import: now rather than at the first call, and not at all
        # for those who listen without a sure ear.
        from listener.confidence.changed_sound import changed  # noqa: PLC0415

        self._changed = changed
        self._clock = clock
        self._noting = noting
        self._ear = ear
        self._read = understanding.read
        self._for_help = understanding.for_help
        self._calibration = calibration
        self._store = store
        self._background = Background("sure ear") if live else None
        self._behind = False
        self._asked: deque[float] = deque()
        """When each stretch of speech was over that is not settled yet; seconds of the clock."""
        self._first_answer: float | None = None
        """When the sure ear first answered, by which it was loaded; None before."""

    def ahead(self, sound: Samples) -> Ahead | None:
        """Begin to hear what may be all of a stretch; return None where nothing is to be gained."""
        if self._background is None:
            return None
        begun = Ahead()

        def hear() -> None:
            begun.set(None if begun.dropped else self._ask(sound, lambda: begun.dropped))

        self._background.add(hear)
        return begun

    def ended(self, stretch: Stretch) -> None:
        """Hear a stretch of speech that is over, now or in the background, and store the judgements."""
        if self._background is None:
            self._settle(stretch)
            return
        asked = self._clock()
        self._asked.append(asked)

        def settle() -> None:
            try:
                if self._waited(asked) > BEHIND_S:
                    self._fell_behind(stretch.began)
                else:
                    self._behind = False
                    self._settle(stretch)
            finally:
                self._asked.popleft()

        self._background.add(settle)

    @property
    def behind(self) -> bool:
        """Return whether the sure ear has fallen behind, so that each call is heard only once for now. May
        be asked from another thread.
        """
        waiting = list(self._asked)
        return self._behind or bool(waiting and self._waited(waiting[0]) > BEHIND_S)

    def _waited(self, asked: float) -> float:
        """Return the seconds since a stretch of speech was over, without those in which the ear was being
        loaded.
        """
        if self._first_answer is None:
            return 0.0
        return self._clock() - max(asked, self._first_answer)

    def _ask(self, sound: Samples, unwanted: Callable[[], bool] = never) -> SureHearing | None:
        found = heard_unless(self._ear, sound, unwanted)
        if self._first_answer is None:
            self._first_answer = self._clock()
        return found

    def _fell_behind(self, t: float) -> None:
        """Say so, once until it has caught up."""
        if not self._behind:
            text = "the second hearing is behind: until it catches up, calls are heard only once"
            self._store(Warned(t=t, what="sure-ear", text=text))
        self._behind = True

    def finish(self) -> None:
        """Wait for what the sure ear still has to say. Nothing may be asked after."""
        if self._background is not None:
            self._background.finish()

    def _settle(self, stretch: Stretch) -> None:
        told = stretch.told
        if len(told) > 1:
            self._settle_several(stretch)
        elif told and told[0].reading.words:
            self._settle_one(told[0], stretch)
        else:
            self._settle_nothing(stretch)

    def _settle_nothing(self, stretch: Stretch) -> None:
        """The quick ear understood nothing: rescue a call that it missed, or several with pauses between
        them."""
        whole = Piece(stretch, 0.0, stretch.length_s)
        hearing = self._whole(stretch)
        found = self._rescued(hearing)
        beyond = hearing is not None and goes_beyond(hearing)
        if found is None or found.confidence < SURE or beyond:
            pieces = [
                (piece, rescued)
                for piece in stretch.pieces or (stretch.halves if beyond else [])
                if (rescued := self._rescued(self._heard(piece.sound)))
            ]
            least = min((rescued.confidence for _, rescued in pieces), default=0.0)
            if len(pieces) > 1 and (found is None or beyond or least > found.confidence):
                self._tell_all_rescued(stretch, pieces)
                return
        nothing = QuickReading((), 0.0)
        places: list[Told] = []
        for judgement in self._judgements(nothing, stretch.sound, hearing, found):
            places = places or self._place(stretch, whole)
            for one in places:
                self._tell(one, judgement)

    def _settle_one(self, one: Told, stretch: Stretch) -> None:
        """The quick ear told one utterance: judge it. Where it is better heard by itself than in all of the
        sound, rescue what the quick ear missed before and after it."""
        hearing = self._whole(stretch)
        found = self._judged(one, hearing)
        narrow = one.cut[-1].end - one.cut[0].start < stretch.length_s - NARROWER_S - 1.0
        none = found is None or found.verdict == "rejects"
        beyond = hearing is not None and goes_beyond(hearing)
        if narrow and (none or beyond):
            cut = self._heard(part_of(stretch.sound, one.cut, 0.0, None))
            again = self._judged(one, cut)
            if again and (found is None or again.confidence > found.confidence):
                found = again
                for piece in stretch.beside(one):
                    if rescued := self._rescued(self._heard(piece.sound)):
                        self._tell_rescued(piece, rescued)
        for judgement in self._judgements(
            one.reading, stretch.sound, hearing, found, guess=one.is_guess
        ):
            self._tell(one, judgement)

    def _settle_several(self, stretch: Stretch) -> None:
        """The quick ear told several utterances: each is judged, and all together as one sentence. Of sound
        that happens now the sentence is told before its parts are heard, where the quick ear understood
        nothing at its beginning."""
        told, found = stretch.told, []
        hearing = self._whole(stretch)
        whole = self._rescued(hearing)
        sentence = whole if whole and whole.confidence >= ALONE else None
        early = None
        if self._background and told[0].is_guess and hearing and not goes_beyond(hearing):
            early = sentence
        self._tell(told[0], early)
        for number, one in enumerate(told):
            before = told[number - 1].cut[-1].end if number else 0.0
            after = told[number + 1].cut[0].start if number + 1 < len(told) else None
            sound = part_of(stretch.sound, one.cut, before, after)
            judgement = self._judged(one, self._heard(sound))
            found.append(judgement)
            if sentence is None:  # each stands for itself
                self._tell(one, judgement)
        if sentence is None:
            return
        readings = [one.reading for one in told]
        for one, judgement in zip(
            told, as_one(list(zip(readings, found, strict=True)), sentence), strict=True
        ):
            if not (early and one is told[0] and judgement and judgement.words == early.words):
                self._tell(one, judgement)

    def _whole(self, stretch: Stretch) -> SureHearing | None:
        """Hear all of it. A hearing begun before its end is judged at the pace of all, as fitted ones."""
        whole = stretch.ahead.wait() if stretch.ahead else None
        return replace(whole, length_s=stretch.length_s) if whole else self._heard(stretch.sound)

    def _rescued(self, hearing: SureHearing | None) -> Judgement | None:
        found = hearing and self._judge(QuickReading((), 0.0), hearing)
        return found if found and found.verdict == "rescues" else None

    def _tell_all_rescued(self, stretch: Stretch, found: Sequence[tuple[Piece, Judgement]]) -> None:
        """Tell the first in place of speech that the quick ear told without understanding it."""
        (first, rescued), *others = found
        for one in self._place(stretch, first):
            self._tell(one, rescued)
        for piece, rescued in others:
            self._tell_rescued(piece, rescued)

    def _tell_rescued(self, piece: Piece, found: Judgement) -> None:
        for one in self._stored(piece):
            self._tell(one, found)

    def _place(self, stretch: Stretch, piece: Piece) -> list[Told]:
        """Return the one utterance that the quick ear told without understanding it, else a new one of
        `piece`; none where that could not be stored."""
        return list(stretch.told[-1:]) or self._stored(piece)

    def _stored(self, piece: Piece) -> list[Told]:
        stored = self._store(piece.nothing)
        return [Told(stored.fact, piece.nothing, ())] if stored else []

    def _judged(self, one: Told, hearing: SureHearing | None) -> Judgement | None:
        if hearing is None:
            return None
        return self._judge(one.reading, hearing)

    def _judge(self, quick: QuickReading, hearing: SureHearing) -> Judgement | None:
        if self._noting:
            self._noting(quick, hearing)
        return self._judgement(quick, hearing)

    def _judgement(self, quick: QuickReading, hearing: SureHearing) -> Judgement | None:
        return judged(quick, hearing, self._read, self._calibration, self._for_help)

    def _judgements(
        self,
        quick: QuickReading,
        sound: Samples,
        hearing: SureHearing | None,
        found: Judgement | None,
        *,
        guess: bool = False,
    ) -> Iterator[Judgement]:
        """Yield what is to be told of a sound: `found`, and in its place a surer judgement of changed
        versions of the sound, where it must be heard again. Of sound that happens now something is yielded
        before as well, for nobody may be kept waiting. `guess`: the quick ear told its reading as speech
        that it did not understand."""
        if hearing is None or not self._is_in_doubt(quick, hearing, found):
            if found:
                yield found
            return
        at_once = found and self._at_once(quick, hearing, found, guess=guess)
        if at_once:
            yield at_once
        better = self._heard_again(quick, sound, found)
        if better and better is not at_once:
            yield better

    def _at_once(
        self, quick: QuickReading, hearing: SureHearing, found: Judgement, *, guess: bool
    ) -> Judgement | None:
        """Return what is told of a doubtful sound before it is heard again."""
        if self._background is None:
            return None
        if found.verdict in TOLD_AT_ONCE or (guess and found.verdict == "puts-right"):
            return found
        if guess:
            return None
        return left_open(found, quick, hearing, self._read, self._calibration)

    def _is_in_doubt(
        self, quick: QuickReading, hearing: SureHearing, found: Judgement | None
    ) -> bool:
        """Return whether a sound must be heard again: some reading of it is possible, and none is sure."""
        readings = possible_readings(quick, hearing, self._read)
        likeliest = max((self._calibration.confidence(each) for _, each in readings), default=0.0)
        return likeliest >= AGAIN and not (found and found.confidence >= SURE)

    def _heard_again(
        self, quick: QuickReading, sound: Samples, found: Judgement | None
    ) -> Judgement | None:
        """Return the surest of `found` and the judgements of changed versions of a sound. One that rests on
        a changed version alone is marked, however sure."""
        for version in self._changed(sound):
            again = self._ask(version)
            judgement = again and self._judgement(quick, again)
            if judgement and judgement.verdict != "rejects":
                known = found if found and found.verdict != "rejects" else None
                if known is None or judgement.confidence > known.confidence:
                    alike = judgement.verdict == "confirms" or (
                        known is not None and known.words == judgement.words
                    )
                    found = judgement if alike else marked(judgement)
        return found

    def _heard(self, sound: Samples) -> SureHearing | None:
        return self._ask(sound) if len(sound) >= SHORTEST_S * SAMPLE_RATE else None

    def _tell(self, one: Told, found: Judgement | None) -> None:
        if one.is_guess and found:
            found = call_of_guess(found, one.reading)
        if not found:
            return
        heard = one.heard
        self._store(
            SecondHearing(
                t=heard.until,
                target=one.seq,
                verdict=found.verdict,
                words=_timed(found.words, heard.t, heard.until, found.confidence),
                doubts=_both(heard.doubts, found.doubts)
                if found.verdict == "doubts"
                else found.doubts,
                confidence=found.confidence,
                evidence=found.evidence,
                engine=self._ear.name,
            )
        )


def goes_beyond(hearing: SureHearing) -> bool:
    """Return whether the text that the sure ear would write freely holds its best sentence
    and much more.
    """
    if not hearing.sentences:
        return False
    best = " ".join(hearing.sentences[0].words)
    return len(hearing.free) > BEYOND * len(best) and fuzz.partial_ratio(best, hearing.free) > HOLDS


def _both(quick: Sequence[str], sure: Sequence[str]) -> tuple[str, ...]:
    """Return the doubts of an utterance that two ears heard, and not alike."""
    return (*(doubt for doubt in quick if doubt != ONE_EAR), *sure)


def _timed(words: Sequence[str], begins: float, ends: float, sure: float) -> tuple[Word, ...]:
    """Words with a share each of their time, by their letters: this ear gives no times."""
    letters = [len(word) for word in words]
    whole, at, timed = max(sum(letters), 1), begins, []
    for word, count in zip(words, letters, strict=True):
        until = at + (ends - begins) * count / whole
        timed.append(Word(word, round(at, 3), round(until, 3), sure))
        at = until
    return tuple(timed)
