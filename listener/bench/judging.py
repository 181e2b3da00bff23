"""Compares the words heard with the words spoken, utterance by utterance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rapidfuzz.distance import Levenshtein

from grammar.case.view import Utterance
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.reports.summary import slots_json
from listener.bench.clips import Spoken, Truth, stakes_of
from listener.bench.hearing import Caught


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The way in which one spoken call, answer, item or proword was heard."""

    voice: str
    spoken: str
    heard: str
    right: bool
    """Call and slots are all right."""
    at_stake: bool
    """It holds a drug, a unit or a number."""
    wrong_stake: bool
    """A drug, unit or number was heard that was not said, marked unsure or not."""
    silent: bool
    """The same, and not marked unsure."""
    wrong_sure: bool
    """Something was heard, call or slots are wrong, and it is not marked unsure."""
    lost: bool
    """Nothing was heard, or only speech outside the grammar."""
    unsure: bool
    edits: int
    words: int
    delay_s: float | None
    """From the end of the voice to the stored fact, by the wall clock; None where it was lost.

    The voice ended where the truth says, or where it was heard to end if that is earlier: the truth of
    some clips knows only how long the recording is."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One utterance that was heard as more than noise: its confidence, and whether it is right."""

    confidence: float
    right: bool
    unsure: bool
    evidence: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The judgement of one clip under one condition."""

    answers: tuple[Answer, ...]
    claims: tuple[Claim, ...]
    chatter_s: float
    """Seconds of unrelated speech."""
    false: tuple[Claim, ...]
    """Utterances heard in unrelated speech or in none."""
    misheard: tuple[str, ...]
    """The words of those."""


def judge_clip(truth: Truth, understanding: Understanding, caught: Sequence[Caught]) -> Verdict:
    """Set each heard utterance against the spoken one that it overlaps most."""
    spoken = [one for one in truth.utterance if one.role != "chatter"]
    chatter = [one for one in truth.utterance if one.role == "chatter"]
    mine: dict[int, list[Caught]] = {number: [] for number in range(len(spoken))}
    loose = []
    for one in caught:
        owner = _owner(one.said, spoken)
        in_chatter = max((_overlap(one.said, other) for other in chatter), default=0.0)
        if owner is None or in_chatter > _overlap(one.said, spoken[owner]):
            loose.append(one)
        else:
            mine[owner].append(one)
    answers, claims = [], []
    for number, words in enumerate(spoken):
        right = _Right(understanding, words)
        answers.append(_answer(truth.voice_of(words), words, mine[number], right))
        claims += [_claim(one, right(one.said)) for one in _claiming(mine[number])]
    strays = _claiming(loose)
    false = tuple(_claim(one, False) for one in strays)
    return Verdict(
        answers=tuple(answers),
        claims=(*claims, *false),
        chatter_s=sum(one.until - one.t for one in chatter),
        false=false,
        misheard=tuple(one.said.text for one in strays),
    )


def judge_words(truth: Truth, heard: Sequence[str]) -> Answer:
    """Return how a clip of lone words was heard: right where each word is."""
    spoken = truth.utterance[0]
    said, got = spoken.words.split(), [word for word in heard if word != UNKNOWN]
    edits = Levenshtein.distance(said, got)
    lost = not got
    wrong = not lost and said != got
    return Answer(
        voice=truth.voice_of(spoken),
        spoken=spoken.words,
        heard=" ".join(heard),
        right=said == got,
        at_stake=True,
        wrong_stake=wrong,
        silent=wrong,
        wrong_sure=wrong,
        lost=lost,
        unsure=False,
        edits=edits,
        words=len(said),
        delay_s=None,
    )


class _Right:
    """Whether a heard utterance is what was spoken."""

    def __init__(self, understanding: Understanding, spoken: Spoken) -> None:
        self._spoken = spoken
        self._bare = spoken.call is None and not spoken.slots
        self._prowords = understanding.read(spoken.words.split()).prowords if self._bare else ()

    def __call__(self, said: Utterance) -> bool:
        spoken = self._spoken
        if said.call != spoken.call or slots_json(said.slots) != dict(spoken.slots):
            return False
        return not self._bare or said.meaning.prowords == self._prowords


def _answer(voice: str, spoken: Spoken, caught: Sequence[Caught], right: _Right) -> Answer:
    claims = _claiming(caught)
    good = [one for one in claims if right(one.said)]
    # A proword that came apart from its call does no harm.
    others = [one for one in claims if one not in good and (one.said.call or one.said.slots)]
    wrong = [one for one in claims if _wrong_stake(one.said, spoken)]
    said = spoken.words.split()
    got = [word for one in caught for word in one.said.text.split() if word != UNKNOWN]
    last = max((one.stored for one in caught), default=None)
    ended = min(spoken.until, max((one.said.until for one in caught), default=spoken.until))
    return Answer(
        voice=voice,
        spoken=spoken.words,
        heard=" | ".join(one.said.text for one in caught),
        right=bool(good) and not others,
        at_stake=bool(spoken.stakes),
        wrong_stake=bool(wrong),
        silent=any(not one.said.unsure for one in wrong),
        wrong_sure=any(not one.said.unsure for one in (others if good else claims)),
        lost=not claims,
        unsure=any(one.said.unsure for one in claims),
        edits=Levenshtein.distance(said, got),
        words=len(said),
        delay_s=last - ended if claims and last is not None else None,
    )


def _wrong_stake(said: Utterance, spoken: Spoken) -> bool:
    """Return whether it holds a drug, unit or number that was not said."""
    heard = stakes_of(slots_json(said.slots))
    return any(spoken.stakes.get(name) != value for name, value in heard.items())


def _claiming(caught: Iterable[Caught]) -> list[Caught]:
    return [one for one in caught if one.said.role != "unrecognised"]


def _claim(one: Caught, right: bool) -> Claim:
    return Claim(one.said.confidence, right, one.said.unsure, one.evidence)


def _owner(said: Utterance, spoken: Sequence[Spoken]) -> int | None:
    overlaps = [_overlap(said, one) for one in spoken]
    best = max(range(len(spoken)), key=lambda number: overlaps[number], default=None)
    return best if best is not None and overlaps[best] > 0 else None


def _overlap(said: Utterance, spoken: Spoken) -> float:
    return min(said.until, spoken.until) - max(said.t, spoken.t)
