"""The figures of a bench run: shares with their intervals, by condition and by voice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from grammar.reports.measures import Share, share
from listener.bench.judging import Answer, Claim, Verdict

BINS = 10


@dataclass(slots=True)
class Tally:
    """All verdicts under one condition."""

    answers: list[Answer] = field(default_factory=list)
    numbers: list[Answer] = field(default_factory=list)
    """Clips of lone words, which no protocol gives a meaning."""
    claims: list[Claim] = field(default_factory=list)
    false: list[Claim] = field(default_factory=list)
    misheard: list[str] = field(default_factory=list)
    chatter_s: float = 0.0

    def take(self, found: Verdict | Answer) -> None:
        """Add a clip of calls, or a clip of lone words."""
        if isinstance(found, Answer):
            self.numbers.append(found)
        else:
            self.add(found)

    def add(self, verdict: Verdict) -> None:
        """Add the verdict on a clip of calls."""
        self.answers += verdict.answers
        self.claims += verdict.claims
        self.false += verdict.false
        self.misheard += verdict.misheard
        self.chatter_s += verdict.chatter_s


@dataclass(frozen=True, slots=True)
class Doubt:
    """The cost and the gain of marking utterances unsure."""

    right_unsure: Share
    """Of the utterances heard rightly, those marked unsure all the same."""
    wrong_unsure: Share
    """Of those heard wrongly (lost ones apart), those marked unsure."""
    caught: Share
    """Of those with a wrong drug, unit or number, those marked unsure; the others are silent errors."""


@dataclass(frozen=True, slots=True)
class Figures:
    """One condition's figures. Shares are of utterances; `words` count for the word error rate."""

    right: Share
    """Call and slots all right."""
    silent: Share
    """A wrong drug, unit or number not marked unsure, of the utterances that hold one."""
    wrong_sure: Share
    """Heard wrongly in any part, and not marked unsure."""
    lost: Share
    """True calls that were heard as speech outside the grammar, or not at all."""
    numbers: Share
    """Clips of lone words, every word right."""
    doubt: Doubt
    false_calls: int
    """Heard in unrelated speech; of these `false_sure` were not marked unsure."""
    false_sure: int
    chatter_s: float
    edits: int
    words: int
    voices: Mapping[str, Share]
    """Call and slots right, by voice."""

    @property
    def word_error_rate(self) -> float | None:
        """Return the word error rate, edits by words said; None where no word was said."""
        return self.edits / self.words if self.words else None

    @property
    def false_per_ten_minutes(self) -> float | None:
        """Return the calls heard in unrelated speech, for each ten minutes of it; None without any."""
        return self.false_calls / self.chatter_s * 600 if self.chatter_s else None

    @property
    def false_sure_per_ten_minutes(self) -> float | None:
        """Return those of them that were not marked unsure, for each ten minutes; None without any."""
        return self.false_sure / self.chatter_s * 600 if self.chatter_s else None


def figures(tally: Tally) -> Figures:
    """Return the figures of one condition."""
    answers = tally.answers
    at_stake = [one for one in answers if one.at_stake]
    voices = sorted({one.voice for one in answers})
    return Figures(
        right=_share(one.right for one in answers),
        silent=_share(one.silent for one in at_stake),
        wrong_sure=_share(one.wrong_sure for one in answers),
        lost=_share(one.lost for one in answers),
        numbers=_share(one.right for one in tally.numbers),
        doubt=Doubt(
            _share(one.unsure for one in answers if one.right),
            _share(one.unsure for one in answers if not one.right and not one.lost),
            _share(not one.silent for one in at_stake if one.wrong_stake),
        ),
        false_calls=len(tally.false),
        false_sure=sum(not one.unsure for one in tally.false),
        chatter_s=tally.chatter_s,
        edits=sum(one.edits for one in answers),
        words=sum(one.words for one in answers),
        voices={
            voice: _share(one.right for one in answers if one.voice == voice) for voice in voices
        },
    )


@dataclass(frozen=True, slots=True)
class Bin:
    """Utterances whose confidence lies in one tenth of the scale."""

    count: int
    confidence: float
    """Their mean."""
    right: Share


@dataclass(frozen=True, slots=True)
class Reliability:
    """Whether confidence means what it says.

    `error` is the expected calibration error: over the bins, the difference between mean confidence
    and share right, weighted by count (Naeini, Cooper, Hauskrecht, AAAI 2015).
    """

    error: float
    bins: tuple[Bin, ...]


def reliability(claims: Sequence[Claim]) -> Reliability:
    """Return confidence against truth, in ten bins of equal width."""
    confidence = np.array([claim.confidence for claim in claims])
    right = np.array([claim.right for claim in claims])
    place = np.minimum((confidence * BINS).astype(int), BINS - 1)
    bins, error = [], 0.0
    for number in range(BINS):
        here = place == number
        count = int(here.sum())
        if count:
            mean, good = float(confidence[here].mean()), int(right[here].sum())
            bins.append(Bin(count, mean, share(good, count)))
            error += count / len(claims) * abs(mean - good / count)
    return Reliability(error, tuple(bins))


@dataclass(frozen=True, slots=True)
class Delays:
    """Seconds from the end of an utterance's sound to its stored fact, at real pace."""

    count: int
    median: float
    percentile_95: float


def delays(seconds: Sequence[float]) -> Delays | None:
    """Return the delays of calls, in seconds; None where nothing was heard at real pace."""
    if not seconds:
        return None
    median, late = np.percentile(seconds, [50, 95])
    return Delays(len(seconds), float(median), float(late))


@dataclass(frozen=True, slots=True)
class Bench:
    """The figures of a whole run."""

    engine: str
    clips: int
    conditions: Mapping[str, Figures]
    reliability: Reliability
    delays: Delays | None
    real_time_factor: float
    """Seconds of processor time, all threads together, for a second of sound."""
    peak_memory_mb: float | None
    """Of processes that only listen, at real pace; None where nothing was heard so."""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for JSON."""
        found: dict[str, Any] = _plain(asdict(self))
        for name, one in self.conditions.items():
            found["conditions"][name] |= {
                "word_error_rate": one.word_error_rate,
                "false_per_ten_minutes": one.false_per_ten_minutes,
                "false_sure_per_ten_minutes": one.false_sure_per_ten_minutes,
            }
        return found


def _plain(found: Any) -> Any:
    """Return the same values, each share with its value."""
    match found:
        case {"count": int(count), "total": int(total), **rest}:
            return {
                "count": count,
                "total": total,
                "value": count / total if total else None,
                **rest,
            }
        case dict():
            return {name: _plain(value) for name, value in found.items()}
        case list() | tuple():
            return [_plain(value) for value in found]
        case _:
            return found


def _share(hits: Iterable[bool]) -> Share:
    known = list(hits)
    return share(sum(known), len(known))
