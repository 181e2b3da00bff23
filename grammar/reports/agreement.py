"""How far two hearings of the same sound agree: utterances set side by side in time, and counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from grammar.case.view import Utterance, View
from grammar.language.meaning import Meaning, Slots
from grammar.language.numbers.units import plain
from grammar.reports.measures.shares import Share, share


@dataclass(frozen=True, slots=True)
class HeardUtterance:
    """One utterance of one hearing. `t` to `until` in seconds on the case's clock."""

    seq: int
    t: float
    until: float
    channel: int
    text: str
    meaning: str
    """Its meaning in words that can be compared: call and slots, a checklist item, prowords."""
    unsure: bool
    amended: bool


@dataclass(frozen=True, slots=True)
class Pair:
    """The same stretch of sound in both hearings; None where one of them heard nothing there."""

    before: HeardUtterance | None
    after: HeardUtterance | None

    @property
    def same_words(self) -> bool:
        """Return whether both hearings have the same words."""
        if self.before is None or self.after is None:
            return False
        return self.before.text == self.after.text

    @property
    def same_meaning(self) -> bool:
        """Return whether both hearings mean the same."""
        if self.before is None or self.after is None:
            return False
        return self.before.meaning == self.after.meaning


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of all pairs: how many have the same meaning and the same words, with Wilson intervals.

    `kappa` is Cohen's (Educational and Psychological Measurement 1960) over the meanings, "nothing
    heard" being one of them: 1 is full agreement, 0 what chance would give. None where nothing was
    heard, or where both heard one and the same thing throughout.
    """

    meaning: Share
    words: Share
    kappa: float | None


def utterances(view: View) -> tuple[HeardUtterance, ...]:
    """Return the utterances heard, as a person's corrections leave them; entries by hand are left
    out."""
    said = (line.utterance for line in view.log if line.utterance is not None)
    return tuple(
        HeardUtterance(
            seq=one.fact,
            t=one.t,
            until=one.until,
            channel=one.channel,
            text=one.text,
            meaning=meaning_of(one),
            unsure=one.unsure,
            amended="amended" in one.flags,
        )
        for one in said
        if "entered" not in one.flags
    )


def meaning_of(said: Utterance) -> str:
    """Return the meaning of an utterance by itself, whatever the calls around it made of it."""
    found = said.meaning
    match found.kind:
        case "unrecognised":
            return "unrecognised"
        case "item":
            return f"item {found.checklist} {found.item}"
        case "proword":
            return _prowords(found)
        case "call" | "answer":
            reading = found.reading
            slots = _slots(reading.slots) if reading else ""
            what = reading.call if reading and found.kind == "call" else "answer"
            return " ".join(word for word in (what, slots, _prowords(found)) if word)


def align(before: Sequence[HeardUtterance], after: Sequence[HeardUtterance]) -> tuple[Pair, ...]:
    """Return both hearings side by side, in order of time.

    On each channel utterances are paired in order, one with one, so that the time they share is
    most; only utterances that overlap can be a pair. One that finds no partner stands alone.
    """
    channels = {one.channel for one in (*before, *after)}
    pairs = [
        pair
        for channel in channels
        for here, there in _knots(
            [one for one in before if one.channel == channel],
            [one for one in after if one.channel == channel],
        )
        for pair in _paired(here, there)
    ]
    return tuple(sorted(pairs, key=_when))


def agreement(pairs: Sequence[Pair]) -> Agreement:
    """Return how far the hearings agree."""
    meanings = [
        (
            "nothing heard" if pair.before is None else pair.before.meaning,
            "nothing heard" if pair.after is None else pair.after.meaning,
        )
        for pair in pairs
    ]
    return Agreement(
        meaning=share(sum(pair.same_meaning for pair in pairs), len(pairs)),
        words=share(sum(pair.same_words for pair in pairs), len(pairs)),
        kappa=cohens_kappa(meanings),
    )


def cohens_kappa(labels: Sequence[tuple[str, str]]) -> float | None:
    """Return the agreement of two raters beyond chance, over the pairs of labels; None where that is
    undefined.
    """
    if not labels:
        return None
    total = len(labels)
    first, second = Counter(a for a, _ in labels), Counter(b for _, b in labels)
    by_chance = sum(count * second[label] for label, count in first.items())
    if by_chance == total * total:
        return None
    agreed = sum(a == b for a, b in labels)
    return (total * agreed - by_chance) / (total * total - by_chance)


def _knots(
    before: Sequence[HeardUtterance], after: Sequence[HeardUtterance]
) -> Iterator[tuple[list[HeardUtterance], list[HeardUtterance]]]:
    """Stretches of time in which utterances of the two overlap, each by itself."""
    end = float("-inf")
    here: list[HeardUtterance] = []
    there: list[HeardUtterance] = []
    both = [(one, here) for one in before] + [(one, there) for one in after]
    for one, side in sorted(both, key=lambda each: (each[0].t, each[0].until)):
        if one.t >= end and (here or there):
            yield [*here], [*there]
            here.clear()
            there.clear()
        side.append(one)
        end = max(end, one.until)
    if here or there:
        yield here, there


def _paired(before: list[HeardUtterance], after: list[HeardUtterance]) -> Iterator[Pair]:
    """Yield the order-keeping pairs that share most time: the longest common subsequence, weighted."""
    rows, columns = len(before), len(after)
    best = [[0.0] * (columns + 1) for _ in range(rows + 1)]
    for i in reversed(range(rows)):
        for j in reversed(range(columns)):
            shared = _shared(before[i], after[j])
            apart = max(best[i + 1][j], best[i][j + 1])
            best[i][j] = max(apart, best[i + 1][j + 1] + shared) if shared > 0 else apart
    i = j = 0
    while i < rows and j < columns:
        shared = _shared(before[i], after[j])
        if shared > 0 and best[i][j] == best[i + 1][j + 1] + shared:
            yield Pair(before[i], after[j])
            i, j = i + 1, j + 1
        elif best[i][j] == best[i + 1][j]:
            yield Pair(before[i], None)
            i += 1
        else:
            yield Pair(None, after[j])
            j += 1
    yield from (Pair(one, None) for one in before[i:])
    yield from (Pair(None, one) for one in after[j:])


def _shared(one: HeardUtterance, other: HeardUtterance) -> float:
    """Return seconds in both; a little more where they mean the same, which decides between equals."""
    seconds = min(one.until, other.until) - max(one.t, other.t)
    return seconds * (1.01 if one.meaning == other.meaning else 1.0)


def _when(pair: Pair) -> tuple[float, int, int]:
    there = [one for one in (pair.before, pair.after) if one is not None]
    return min(one.t for one in there), there[0].channel, 0 if pair.before is not None else 1


def _prowords(meaning: Meaning) -> str:
    return " ".join(meaning.prowords)


def _slots(slots: Slots) -> str:
    return " ".join(_slot(name, value) for name, value in sorted(slots.items()))


def _slot(name: str, value: object) -> str:
    return f"{name}={plain(value) if isinstance(value, Decimal) else value}"
