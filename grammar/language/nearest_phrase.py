"""The nearest phrase to words that fit none exactly, with a score; it never makes a value up.

Heard words and phrases are compared as skeletons, in which every number, drug, unit or list value is
one mark. A skeleton may differ in its words, never in its marks: a number that was not heard cannot
be filled in, and one that was heard cannot be dropped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rapidfuzz import fuzz
from rapidfuzz.distance import Indel

from grammar.language.meaning import Meaning, Reading, SlotValue
from grammar.language.numbers.spoken import NumberLanguage
from grammar.language.phrases import PROWORD_TYPES, Body
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Node, Slot, expansions, parse_template, words_of

ENOUGH = 0.72
"""Least similarity (mean of word and letter similarity, 0 to 1) that is still taken for a phrase."""

CLOSE = 0.1
"""A phrase of another call that scores within this leaves it open which of the two was said."""

NEGATIONS = frozenset(
    {"not", "no", "never", "don't", "isn't", "aren't", "hasn't", "can't", "cannot", "without"}
)
"""Words that turn a phrase round: one more or one less of them is not a slip of hearing."""

_LONGEST = 10

_NO_NUMBERS = frozenset({"a", "oh", "and"})
"""Words of numbers that alone are just words."""


@dataclass(frozen=True, slots=True)
class Skeleton:
    """A phrase with its values as marks: {number}, {drug}, {unit} or {LIST}."""

    call: str
    tokens: tuple[str, ...]
    names: tuple[str, ...]
    """Slot names in the order of the marks."""
    marks: Counter[str]


class Nearest:
    """All call phrases of a protocol as skeletons."""

    def __init__(
        self,
        protocol: Protocol,
        spoken: NumberLanguage,
        names: Mapping[str, Mapping[str, tuple[tuple[tuple[str, ...], str], ...]]],
        bodies: Sequence[Body],
        rules: Mapping[str, Node],
    ) -> None:
        self._protocol = protocol
        self._spoken = spoken
        self._names = names
        self._kinds = ("drug", *(lst.id for lst in protocol.list))
        # "One, er, hundred" must not become one: a number's word that is left over counts.
        self._kept = NEGATIONS | (_number_words(spoken) - _NO_NUMBERS)
        self._skeletons = [
            skeleton
            for body in bodies
            if body.kind == "call" and body.call
            for skeleton in skeletons(body.call, body.node, rules)
        ]

    def read(self, words: Sequence[str]) -> Meaning:
        """Return the nearest meaning, `unrecognised` where nothing is near enough."""
        prowords, to, at = self.opening(words)
        tokens, values, _ = self.skeleton_of(words[at:])
        marks = Counter(token for token in tokens if token.startswith("{"))
        best, score = None, 0.0
        by_call: dict[str, float] = {}
        letters = " ".join(tokens)
        kept = self._kept.intersection(tokens) | NEGATIONS.intersection(words)
        for skeleton in self._skeletons:
            if skeleton.marks != marks or kept != self._kept.intersection(skeleton.tokens):
                continue
            by_word = Indel.normalized_similarity(tokens, skeleton.tokens)
            by_letter = fuzz.ratio(letters, " ".join(skeleton.tokens)) / 100
            similarity = (by_word + by_letter) / 2
            by_call[skeleton.call] = max(similarity, by_call.get(skeleton.call, 0.0))
            if similarity > score:
                best, score = skeleton, similarity
        if best is None or score < ENOUGH:
            return Meaning("unrecognised", prowords=prowords, to=to, score=score)
        slots = self._fill(best, tokens, values)
        unit_said = "unit" not in slots or "unit" in best.names
        # A number, drug or choice reached by guessing at the words around it needs a second look.
        rivals = [other for call, other in by_call.items() if call != best.call]
        close = max(rivals, default=0.0) > score - CLOSE
        doubts = ("nearest",) if slots or close else ()
        reading = Reading(best.call, slots, unit_said)
        return Meaning("call", (reading,), prowords, to, score=score, doubts=doubts)

    def opening(self, words: Sequence[str]) -> tuple[tuple[str, ...], str | None, int]:
        """Return the prowords and the addressee at the front, and how many words they took."""
        prowords: tuple[str, ...] = ()
        to: str | None = None
        at = 0
        while at < len(words):
            hit = self._named("leading", words, at)
            station = self._named("station", words, at)
            if hit:
                prowords, at = (*prowords, hit[1]), hit[0]
            elif station and to is None:
                at, to = station
            else:
                break
        return prowords, to, at

    def skeleton_of(
        self, words: Sequence[str]
    ) -> tuple[list[str], list[SlotValue], list[tuple[int, int]]]:
        """Return words with marks for values; the values; and from which word to which each one
        went."""
        tokens: list[str] = []
        values: list[SlotValue] = []
        places: list[tuple[int, int]] = []
        over = self._protocol.proword_phrases["over"]
        end = len(words) - 1 if words and words[-1] in over else len(words)
        at = 0
        while at < end:
            step, mark, value = self._mark(words, at, end)
            tokens.append(mark)
            if value is not None:
                values.append(value)
                places.append((at, at + step))
            at += step
        return tokens, values, places

    def _mark(self, words: Sequence[str], at: int, end: int) -> tuple[int, str, SlotValue | None]:
        for stop in range(min(end, at + _LONGEST), at, -1):
            number = self._spoken.read(words[at:stop])
            if number and not (stop == at + 1 and words[at] in _NO_NUMBERS):
                return stop - at, "{number}", number.value
        unit = self._spoken.UNITS.get(words[at])
        if unit:
            return 1, "{unit}", unit
        for kind in self._kinds:
            hit = self._named(kind, words, at)
            if hit and not (hit[0] == at + 1 and len(words[at]) == 1):
                return hit[0] - at, f"{{{kind}}}", hit[1]
        return 1, words[at], None

    def _named(self, kind: str, words: Sequence[str], at: int) -> tuple[int, str] | None:
        for form, value in self._names[kind].get(words[at], ()):
            if tuple(words[at : at + len(form)]) == form:
                return at + len(form), value
        return None

    def _fill(
        self, skeleton: Skeleton, tokens: Sequence[str], values: Sequence[SlotValue]
    ) -> Mapping[str, SlotValue]:
        heard: dict[str, list[SlotValue]] = {}
        for mark, value in zip((t for t in tokens if t.startswith("{")), values, strict=True):
            heard.setdefault(mark, []).append(value)
        slots: dict[str, SlotValue] = {}
        marks = (token for token in skeleton.tokens if token.startswith("{"))
        for name, mark in zip(skeleton.names, marks, strict=True):
            slots[name] = heard[mark].pop(0)
        drug = self._protocol.drugs.get(str(slots.get("drug", "")))
        if drug and "amount" in slots:
            slots.setdefault("unit", drug.unit)
        return slots


def _number_words(spoken: NumberLanguage) -> frozenset[str]:
    return frozenset(
        word for text in spoken.RULES.values() for word in words_of(parse_template(text))
    )


def skeletons(call: str, node: Node, rules: Mapping[str, Node]) -> list[Skeleton]:
    """Return every form of a phrase, each number, drug, unit or list value as one mark."""
    found = []
    for form in expansions(node, rules):
        for opened in _opened(form):
            tokens = tuple(
                token if isinstance(token, str) else f"{{{token.type}}}" for token in opened
            )
            names = tuple(token.name for token in opened if isinstance(token, Slot))
            marks = Counter(token for token in tokens if token.startswith("{"))
            found.append(Skeleton(call, tokens, names, marks))
    return found


_DRUG = Slot("drug", "drug")
_AMOUNT: tuple[tuple[str | Slot, ...], ...] = (
    (Slot("amount", "number"), Slot("unit", "unit")),
    (Slot("amount", "number"),),
)


def _opened(form: Sequence[str | Slot]) -> list[tuple[str | Slot, ...]]:
    """Return a form with its composite slots taken apart into numbers, units and names."""
    found: list[tuple[str | Slot, ...]] = [()]
    for token in form:
        options: list[tuple[str | Slot, ...]]
        if isinstance(token, str) or token.type in PROWORD_TYPES:
            options = [(token,)]
        elif token.type == "dose":
            options = []
            for amount in _AMOUNT:
                options += [(*amount, "of", _DRUG), (*amount, _DRUG), (_DRUG, *amount)]
        elif token.type == "amount":
            options = list(_AMOUNT)
        elif token.type == "duration":
            # Minutes and seconds are read by the exact reader alone: a guess would be a wrong timer.
            options = [("{duration}",)]
        else:
            options = [(token,)]
        found = [(*head, *tail) for head in found for tail in options]
    return found
