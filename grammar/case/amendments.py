"""How facts stand once later facts have amended, withdrawn, confirmed or doubted them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from grammar.case.facts import (
    Amended,
    Confirmed,
    Doubted,
    Entered,
    Fact,
    Gap,
    Heard,
    HeardOut,
    SecondHearing,
    SpeakerSet,
    VoiceMatched,
    Withdrawn,
)
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word

Ear = Literal["quick", "sure", "both"]
"""Who heard an utterance as it stands: the quick ear alone, the sure ear alone, or both alike."""

Amending = (
    Amended | Withdrawn | Confirmed | SpeakerSet | Doubted | HeardOut | SecondHearing | VoiceMatched
)
"""Facts that change how an earlier one stands."""

AMENDING: tuple[str, ...] = tuple(
    str(one.__dataclass_fields__["kind"].default) for one in get_args(Amending)
)
"""Their kinds, as `Fact.kind` has them."""


@dataclass(frozen=True, slots=True)
class EffectiveFact:
    """A fact with all that later facts changed in it."""

    fact: Fact
    amended: bool = False
    confirmed: bool = False
    ear: Ear = "quick"
    speaker_set: bool = False
    """A person said who spoke."""


_LASTING = (Heard, HeardOut, Gap)


def ended(fact: Fact) -> float:
    """Return when a fact was complete, seconds on the case's clock: a fact that lasts is known when
    it is over."""
    return fact.until if isinstance(fact, _LASTING) else fact.t


def confidence_of(heard: Heard) -> float:
    """Return the listener's confidence, 0 to 1: that of the whole utterance, else the mean of its
    words."""
    if heard.confidence is not None:
        return heard.confidence
    words = heard.words
    return sum(word.confidence for word in words) / len(words) if words else 0.0


def effective(facts: Iterable[Fact]) -> dict[int, EffectiveFact]:
    """Return every fact as the later ones let it stand, by `seq`; a withdrawn one is absent."""
    facts = tuple(facts)
    gone = taken_back(facts)
    standing = {fact.seq: EffectiveFact(fact) for fact in facts if fact.seq not in gone}
    for fact in facts:
        if fact.seq in gone or not isinstance(fact, Amending) or isinstance(fact, Withdrawn):
            continue
        target = standing.get(fact.target)
        if target is None or fact.target > fact.seq:
            continue
        match fact:
            case Amended() if isinstance(target.fact, Heard):
                words = _words(fact.words, target.fact)
                heard = replace(target.fact, words=words, doubts=(), likely="")
                standing[fact.target] = replace(target, fact=heard, amended=True)
            case HeardOut() if isinstance(target.fact, Heard) and not target.amended:
                whole = _whole(target.fact, fact)
                standing[fact.target] = replace(target, fact=whole, ear="quick")
            case SecondHearing() if isinstance(target.fact, Heard):
                # What a person has put right or accepted stands.
                if not target.amended and not target.confirmed:
                    standing[fact.target] = _heard_twice(target, target.fact, fact)
            case Doubted() if isinstance(target.fact, Heard) and not target.amended:
                doubts = tuple(dict.fromkeys((*target.fact.doubts, fact.reason)))
                doubted = replace(target.fact, doubts=doubts)
                standing[fact.target] = replace(target, fact=doubted)
            case Confirmed():
                standing[fact.target] = replace(target, confirmed=True)
            case SpeakerSet() if isinstance(target.fact, Heard | Entered):
                spoken = replace(target.fact, sender=fact.station)
                standing[fact.target] = replace(target, fact=spoken, speaker_set=True)
            case VoiceMatched() if isinstance(target.fact, Heard):
                matched = replace(target.fact, voice=fact.shares)
                standing[fact.target] = replace(target, fact=matched)
            case _:
                pass
    return standing


def amended_facts(facts: Iterable[Fact]) -> dict[int, EffectiveFact | None]:
    """Return each amending fact and each fact that one speaks of, as they stand: None where withdrawn.

    Every other fact stands as it is. `facts` are gone through twice, and only those returned are kept.
    """
    facts = facts if isinstance(facts, Sequence) else tuple(facts)
    amending = [fact for fact in facts if isinstance(fact, Amending)]
    targets = {fact.target for fact in amending}
    concerned = [f for f in facts if isinstance(f, Amending) or f.seq in targets]
    standing = effective(concerned)
    return {fact.seq: standing.get(fact.seq) for fact in concerned}


def as_heard(facts: Sequence[Fact], seq: int) -> str:
    """Return the words heard as fact `seq`, to its end, before anybody corrected them; "" if it
    holds none."""
    for fact in reversed(facts):
        if isinstance(fact, HeardOut) and fact.target == seq:
            return fact.text
        if isinstance(fact, Heard) and fact.seq == seq:
            return fact.text
    return ""


def taken_back(facts: Sequence[Fact]) -> set[int]:
    """Return the facts, by `seq`, that a person has taken back. A taking back may itself be taken
    back."""
    gone: set[int] = set()
    for fact in reversed(facts):
        # A fact speaks of earlier ones only; so from the last one back, each is settled when read.
        if isinstance(fact, Withdrawn) and fact.seq not in gone and fact.target < fact.seq:
            gone.add(fact.target)
    return gone


def changes(amending: Mapping[int, Amending], fact: Amending) -> int:
    """Return the earliest fact, by `seq`, whose standing `fact` changes; `fact` is one of
    `amending`.

    A fact that takes back another's taking back changes the fact that was taken back first.
    """
    here: Amending | None = fact
    seq = fact.seq
    while here is not None and here.target < seq:
        seq = here.target
        here = amending.get(seq)
    return seq


def _whole(heard: Heard, out: HeardOut) -> Heard:
    return replace(
        heard,
        t=out.t,
        until=out.until,
        words=out.words,
        doubts=out.doubts,
        confidence=out.confidence,
        evidence=out.evidence,
        late_s=out.late_s,
        likely=out.likely,
    )


def _heard_twice(target: EffectiveFact, heard: Heard, second: SecondHearing) -> EffectiveFact:
    """Return the better reading of two ears, and whose it is."""
    better = second.verdict in ("puts-right", "rescues", "rejects")
    both = replace(
        heard,
        words=second.words if better else heard.words,
        likely="" if better else heard.likely,
        doubts=second.doubts,
        confidence=second.confidence,
        evidence=second.evidence,
    )
    agreed = "both" if second.verdict == "confirms" else target.ear
    return replace(target, fact=both, ear="sure" if better else agreed)


def _words(text: str, heard: Heard) -> tuple[Word, ...]:
    return tuple(Word(word, heard.t, heard.until) for word in text.lower().split())


def heard_otherwise(facts: Sequence[Fact], seq: int) -> str:
    """Return the words that the other ear heard utterance `seq` as; "" where it heard none, or the same.

    `facts` in the order of their numbers. Where the sure ear put an utterance right, the other words are
    the quick ear's.
    """
    for fact in reversed(facts):
        match fact:
            case Doubted() if fact.target == seq:
                return fact.words
            case SecondHearing(verdict="doubts") if fact.target == seq:
                return _known(fact.text)
            case SecondHearing(verdict="puts-right" | "rejects") if fact.target == seq:
                texts = (one.text for one in facts if one.seq == seq and isinstance(one, Heard))
                return _known(next(texts, ""))
        if fact.seq <= seq:
            break
    return ""


def _known(text: str) -> str:
    return " ".join(word for word in text.split() if word != UNKNOWN)
