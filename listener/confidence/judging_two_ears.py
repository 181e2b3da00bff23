"""One judgement of both ears on an utterance: agreed, put right, rescued, or in doubt.

The quick ear has told it by now. The sure ear has heard the same sound, held to the same sentences.
Neither is asked about what the case expects.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from rapidfuzz import fuzz
from rapidfuzz.distance import Indel

from grammar.language.meaning import Meaning
from grammar.language.phrases import UNKNOWN
from listener.audio.voice_activity import HANGOVER_S
from listener.recognition.calibration import Calibration, Evidence
from listener.recognition.sure_ear import SureHearing

ONE_EAR: Final = "one-ear"
"""Doubt of what one ear alone heard. Of the sure ear: a number with a twin (fifteen, fifty), less sure than
`ALONE`, or heard in a changed version of the sound only. Of the quick ear, until the sure ear confirms it:
what hardly leads another reading."""
TWO_WAYS: Final = "second-listener"
"""Doubt of what both ears heard, and not alike."""

NEARBY: Final = "another-near"
"""Doubt of what both ears heard alike and are less sure of than `BOTH`, where the sure ear finds another
reading nearly as likely."""

LEAST: Final = 0.5
"""From this confidence on, speech that the quick ear took for no call becomes one."""

ALONE: Final = 0.9
"""Below this confidence a call that the sure ear alone heard, or heard otherwise, is marked: of 59 orders
by people that were rescued with 0.5 to 0.9, 13 were wrong, of 264 surer ones one (of what
`python -m listener.training two-ears` kept, each half weighed by the other)."""

LEAST_FOR_HELP: Final = 0.02
"""Likewise for a call for help, which is then a possible one."""

LIKELY: Final = 0.1
"""Where no sentence is as likely as this, what the quick ear took for a call was none."""

BOTH: Final = 0.98
NEAR: Final = 4.0
"""A confidence, and nats by which the sure ear must find a reading likelier than the next. Of 444 readings
that both heard alike 10 were wrong; of those that miss both 3 of 13 were
(`python -m listener.training two-ears`)."""

CLEARLY: Final = 8.0
"""Nats by which the sure ear must find its own reading better to put the quick ear right, however sure that
one is: on people it is surer than it should be."""

_SUREST: Final = 0.995
_NOBODY: Final = 0.9999
"""Beyond `_SUREST` the quick ear is no surer, and beyond `_NOBODY` it is no surer that nobody speaks."""
_SOUNDS: Final = ("(", "[", "♪")
"""A free text that begins so names sounds."""
_FARTHEST: Final = 12.0
"""A lead in nats beyond which nothing is surer."""
_UNLIKELY: Final = 40.0
_LETTERS: Final = 8
"""By so many letters at most a reading is nearer to the free text than its rival."""
_SLOWEST: Final = math.log(12.0)
"""Letters a second; slower speech may be something longer."""

Read = Callable[[Sequence[str]], Meaning]
Verdict = Literal["confirms", "puts-right", "rescues", "rejects", "doubts"]
Key = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class QuickReading:
    """An utterance as the quick ear told it. `words` hold nothing where it found no call."""

    words: tuple[str, ...]
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The outcome for an utterance. `words` are the sure ear's."""

    verdict: Verdict
    words: tuple[str, ...]
    confidence: float
    doubts: tuple[str, ...] = ()
    evidence: tuple[tuple[str, float], ...] = ()


def key_of(meaning: Meaning) -> Key:
    """Return the part of a meaning that two readings must share: call and slots, item, or prowords, each of
    them once: to say "copy copy" is to say "copy"."""
    readings = tuple(
        (each.call, tuple(sorted((name, str(value)) for name, value in each.slots.items())))
        for each in meaning.readings
    )
    prowords = tuple(dict.fromkeys(meaning.prowords)) if meaning.kind == "proword" else ()
    return meaning.kind, readings, meaning.checklist, meaning.item, prowords


def same_meaning(read: Read, words: Sequence[str], others: Sequence[str]) -> bool:
    """Return whether two sentences say the same, as `key_of` has it."""
    return key_of(read(words)) == key_of(read(others))


def judged(
    quick: QuickReading,
    hearing: SureHearing,
    read: Read,
    calibration: Calibration,
    for_help: Callable[[Meaning], bool] = lambda _: False,
) -> Judgement | None:
    """Return the judgement of both ears; None where the sure ear has nothing to add.

    A meaning that is `for_help` is told however doubtful it is.
    """
    ranked = _Ranked(hearing, read, quick)
    best, own = ranked.best, ranked.own
    if best is None:
        return None
    found = ranked.evidence(best)
    sure = calibration.confidence(found)
    if own is None:
        least = LEAST_FOR_HELP if for_help(read(best.words)) else max(LEAST, calibration.least)
        if sure < least:
            return None
        doubts = (ONE_EAR,) if sure < ALONE or read(best.words).sounds_like else ()
        return _outcome("rescues", best.words, sure, found, doubts)
    if best.key == ranked.mine:
        if sure < LIKELY and not for_help(own):
            return _rejected(sure, found)
        near = sure < BOTH and found["lead"] < NEAR
        doubts = (NEARBY,) if near else ()
        return _outcome("confirms", best.words, sure, found, doubts)
    here = ranked.as_quick
    as_quick = ranked.evidence(here)
    quick_sure = calibration.confidence(as_quick)
    if max(sure, quick_sure) < LIKELY and not for_help(own):
        return _rejected(quick_sure, as_quick)
    if quick_sure >= ALONE and sure < LIKELY:
        return None  # the sure ear has not understood it
    clearly = as_quick["lead"] <= -CLEARLY and found["near"] > as_quick["near"]
    if (sure > quick_sure or clearly) and not _twins(own, read(best.words)):
        doubts = (TWO_WAYS,) if sure < ALONE else ()
        return _outcome("puts-right", best.words, sure, found, doubts)
    return _outcome("doubts", best.words, quick_sure, as_quick, (TWO_WAYS,))


def left_open(
    found: Judgement,
    quick: QuickReading,
    hearing: SureHearing,
    read: Read,
    calibration: Calibration,
) -> Judgement:
    """Return the doubt in which a call of the quick ear stands until `found`, which puts it right or
    rejects it, is settled: both readings are told, and which of them holds is open."""
    ranked = _Ranked(hearing, read, quick)
    as_quick = ranked.evidence(ranked.as_quick)
    words = () if found.verdict == "rejects" else found.words
    return _outcome("doubts", words, calibration.confidence(as_quick), as_quick, (TWO_WAYS,))


def possible_readings(
    quick: QuickReading, hearing: SureHearing, read: Read
) -> list[tuple[tuple[str, ...], Evidence]]:
    """Return the readings that `judged` weighs, with their evidence. The weights are fitted to them."""
    ranked = _Ranked(hearing, read, quick)
    if ranked.best is None:
        return []
    alike = ranked.mine in (None, ranked.best.key)
    found = [ranked.best] if alike else [ranked.as_quick, ranked.best]
    return [(each.words, ranked.evidence(each)) for each in found]


def _outcome(
    verdict: Verdict,
    words: tuple[str, ...],
    sure: float,
    found: Evidence,
    doubts: tuple[str, ...] = (),
) -> Judgement:
    return Judgement(
        verdict=verdict,
        words=words,
        confidence=round(sure, 4),
        doubts=doubts,
        evidence=tuple(found.items()),
    )


def _rejected(sure: float, found: Evidence) -> Judgement:
    return _outcome("rejects", (UNKNOWN,), sure, found)


def as_one(
    pieces: Sequence[tuple[QuickReading, Judgement | None]], whole: Judgement
) -> list[Judgement | None]:
    """Return the judgements where the sure ear hears one sentence, `whole`, in a stretch of speech that the
    quick ear cut into several utterances.

    The first then becomes that sentence, and the others become none. They stand as they are where the whole
    is not sure, where each of them is surer, or where the first is the whole.
    """
    found = [judgement for _, judgement in pieces]
    least = min(
        (each.confidence if each and each.verdict != "rejects" else 0.0 for each in found),
        default=0.0,
    )
    first, own = pieces[0]
    if whole.confidence < max(ALONE, least) or (own and own.words == whole.words):
        return found
    verdict: Verdict = "puts-right" if first.words else "rescues"
    rest = Judgement(
        verdict="rejects",
        words=(UNKNOWN,),
        confidence=whole.confidence,
        doubts=(),
        evidence=whole.evidence,
    )
    return [replace(whole, verdict=verdict), *(rest for _ in pieces[1:])]


def call_of_guess(judgement: Judgement, guess: QuickReading) -> Judgement | None:
    """Return the call that a judgement makes of the quick ear's guess, where that ear told no call; None
    where the judgement is not sure enough.
    """
    if judgement.verdict == "rescues":
        return judgement
    if judgement.verdict == "rejects" or judgement.confidence < LEAST:
        return None
    words = guess.words if judgement.verdict == "doubts" else judgement.words
    unsure = judgement.doubts or ((ONE_EAR,) if judgement.confidence < ALONE else ())
    return replace(judgement, verdict="rescues", words=words, doubts=unsure)


def marked(judgement: Judgement) -> Judgement:
    """Return a judgement with a mark that it is in doubt, whatever other doubts it has."""
    return judgement if judgement.doubts else replace(judgement, doubts=(ONE_EAR,))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """All sentences of one meaning. `score` is of them together, `nats` and `tokens` of the best."""

    key: Key
    words: tuple[str, ...]
    score: float
    nats: float
    tokens: int


class _Ranked:
    """The meanings that the sure ear held possible, best first."""

    def __init__(self, hearing: SureHearing, read: Read, quick: QuickReading) -> None:
        self._hearing = hearing
        self._quick = quick
        own = read(quick.words) if quick.words else None
        self.own = None if own is None or own.kind == "unrecognised" else own
        """The meaning that the quick ear heard, if any."""
        self.mine = None if self.own is None else key_of(self.own)
        found: dict[Key, list[Any]] = {}
        for sentence in hearing.sentences:
            meaning = read(sentence.words)
            if meaning.kind != "unrecognised":
                found.setdefault(key_of(meaning), []).append(sentence)
        readings = (
            _Reading(
                key=key,
                words=ss[0].words,
                score=_sum(s.score for s in ss),
                nats=ss[0].nats,
                tokens=ss[0].tokens,
            )
            for key, ss in found.items()
        )
        self._readings = sorted(readings, key=lambda each: -each.score)

    @property
    def best(self) -> _Reading | None:
        """Return the likeliest meaning; None where the sure ear held none possible."""
        return self._readings[0] if self._readings else None

    @property
    def as_quick(self) -> _Reading:
        """Return the reading of the quick ear; one beyond the last where the sure ear held
        it too unlikely.
        """
        assert self.mine is not None
        for each in self._readings:
            if each.key == self.mine:
                return each
        last = self._readings[-1]
        return _Reading(
            key=self.mine,
            words=self._quick.words,
            score=last.score - 2.0,
            nats=last.nats - 2.0,
            tokens=last.tokens,
        )

    def evidence(self, reading: _Reading) -> Evidence:
        """Return the evidence for and against a reading. Names and values:

        `alone`: 1 where the quick ear found no call; `agrees`: 1 where both heard this;
        `quick`: log-odds of the quick ear's own confidence where it heard this, `other` where it heard
        something else; `fit`: nats a token that the sure ear gives it; `free`: nats by which what it
        would write freely is likelier; `near`: how alike its
        letters are to that, 0 to 1; `nearer`: by how many letters it is nearer to that than the best other
        reading; `lead`: of this reading over the best other one, nats;
        `words`: logarithm of their count; `pace`: logarithm of letters a second, no more than is usual;
        `nobody`: log-odds that nobody speaks, as Whisper has it; `sounds`: 1 where it writes freely what
        sounds are there ("(bell rings)", "♪") instead of words.
        """
        hearing = self._hearing
        rival = next((each for each in self._readings if each.key != reading.key), None)
        lead = reading.score - rival.score if rival else _FARTHEST
        letters = len(_letters("".join(reading.words)))
        free, text = _letters(hearing.free), _letters(" ".join(reading.words))
        nearer = _LETTERS
        if rival:
            beyond = Indel.distance(free, _letters(" ".join(rival.words)))
            nearer = beyond - Indel.distance(free, text)
        pace = letters / max(hearing.length_s - HANGOVER_S, 0.3)
        odds, own = _log_odds(self._quick.confidence), reading.key == self.mine
        found = {
            "alone": float(self.mine is None),
            "agrees": float(own and reading is self.best),
            "quick": odds if own else 0.0,
            "other": 0.0 if own or self.mine is None else odds,
            "fit": reading.nats / max(reading.tokens, 1),
            "free": min(max(hearing.free_nats - reading.nats, 0.0), _UNLIKELY),
            "near": fuzz.ratio(free, text) / 100,
            "nearer": float(min(max(nearer, -_LETTERS), _LETTERS)),
            "lead": min(max(lead, -_FARTHEST), _FARTHEST),
            "words": math.log(max(len(reading.words), 1)),
            "pace": min(math.log(max(pace, 0.5)), _SLOWEST),
            "nobody": _log_odds(math.exp(hearing.no_speech), _NOBODY),
            "sounds": float(hearing.free.lstrip().startswith(_SOUNDS)),
        }
        return {name: round(value, 4) for name, value in found.items()}


def _letters(text: str) -> str:
    """Return a text as a protocol would write it: small letters, no stops, no figures. A Korean syllable
    counts as the two or three letters that it is written with."""
    kept = "".join(sign if sign.isalpha() or sign == "'" else " " for sign in text.lower())
    return unicodedata.normalize("NFD", " ".join(kept.split()))


def said(words: Iterable[str]) -> tuple[str, ...]:
    """Return the words without speech that was not understood."""
    return tuple(word for word in words if word != UNKNOWN)


def _twins(one: Meaning, other: Meaning) -> bool:
    """Return whether two readings differ in a number and its twin alone, as fifteen and fifty do."""
    a, b = one.reading, other.reading
    if a is None or b is None or a.call != b.call or a.slots.keys() != b.slots.keys():
        return False
    apart = [(a.slots[name], b.slots[name]) for name in a.slots if a.slots[name] != b.slots[name]]
    return bool(apart) and all(y in one.sounds_like or x in other.sounds_like for x, y in apart)


def _sum(scores: Iterable[float]) -> float:
    """Return the logarithm of the sum of numbers that are given as logarithms."""
    many = list(scores)
    most = max(many)
    return most + math.log(sum(math.exp(each - most) for each in many))


def _log_odds(share: float, surest: float = _SUREST) -> float:
    bounded = min(max(share, 1 - surest), surest)
    return math.log(bounded / (1 - bounded))
