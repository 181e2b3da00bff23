"""Other readings of an utterance, which a person may choose instead.

First the words of the second listener, then numbers that sound alike (fifteen, fifty), then other
phrases near the words. Every guess can be read exactly, so that choosing it leaves no doubt.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from rapidfuzz import fuzz
from rapidfuzz.distance import Indel

from grammar.language.meaning import Meaning
from grammar.language.nearest_phrase import Skeleton, skeletons
from grammar.language.numbers import language
from grammar.language.parse import understanding_of
from grammar.language.phrases import UNKNOWN, bodies, rules
from grammar.language.typed_text import spoken
from grammar.language.typed_value import bare_value, own_unit, same_but_value, with_numbers
from grammar.protocol.model import Protocol
from grammar.protocol.prowords import BARE
from grammar.protocol.templates import expansions

FAR = 0.45
"""Least similarity (mean of word and letter similarity, 0 to 1) of a phrase offered as a guess."""


CORRECTING = frozenset({"er", "uh", "no", "sorry", "correction", "rather", UNKNOWN})
"""Words with which a speaker takes back the number before. Common practice, no source."""

RUN = (4, 3, 2, 1)
"""Words of a number beside such a word, the longest first."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Words that may have been said, and what they mean."""

    words: str
    meaning: Meaning
    as_heard: bool = False


class Guesses:
    """One protocol, ready to guess. Holds no state between utterances."""

    def __init__(self, protocol: Protocol) -> None:
        self._understanding = understanding_of(protocol)
        self._spoken = language(protocol.protocol.language)
        named = rules(protocol)
        self._skeletons: list[Skeleton] = []
        self._help = {call.id for call in protocol.call if call.help}
        said = protocol.proword_phrases
        self._plain = {text for name in BARE for text in said[name]}
        for body in bodies(protocol):
            if body.call:
                self._skeletons += skeletons(body.call, body.node, named)
            elif body.kind == "item":
                forms = expansions(body.node, named)
                self._plain |= {" ".join(str(word) for word in form) for form in forms}

    def of(self, text: str, meaning: Meaning, heard_else: str = "", most: int = 5) -> list[Guess]:
        """Return other readings of the words, likeliest first. None of them has the meaning
        `meaning`.

        `heard_else` holds the words of the second listener; "" where it heard none.
        """
        words = [word for word in text.split() if word != UNKNOWN]
        taken = {_key(meaning)}
        found: list[Guess] = []
        corrected = self._corrected(text.split())
        for candidate in chain(corrected, self._candidates(words, heard_else)):
            read = self._understanding.read(candidate.split())
            if len(found) == most:
                break
            if read.kind == "unrecognised" or read.doubts or _key(read) in taken:
                continue
            taken.add(_key(read))
            found.append(Guess(candidate, read))
        return found

    def as_heard(self, text: str) -> Guess:
        """Return an utterance as it was heard, before a person corrected it."""
        return Guess(text, self._understanding.read(text.split()), as_heard=True)

    def typed(self, text: str) -> Guess:
        """Return the words that a person typed, figures and signs as spoken words, with their
        meaning."""
        words = spoken(self._spoken, text)
        return Guess(words, self._understanding.read(words.split()))

    def retyped(self, words: str, meaning: Meaning, text: str) -> Guess:
        """Return what a person typed in place of the words heard, which meant `meaning`.

        A value alone ("8", "70 mg", "105/62") keeps the call, its drug, its unit and its addressee; a
        call that names nobody keeps the addressee. Raises ValueError, with a sentence, for a value that
        the words cannot take.
        """
        if bare_value(text) and meaning.at_stake:
            return self._with_value(words, meaning, text)
        found = self.typed(text)
        if found.meaning.kind != "call" or found.meaning.to or not meaning.to:
            return found
        heard = [word for word in words.split() if word != UNKNOWN]
        front = heard[: self._understanding.nearest.opening(heard)[2]]
        whole = self.typed(" ".join([*front, found.words]))
        alike = whole.meaning.readings == found.meaning.readings
        return whole if alike and not whole.meaning.doubts else found

    def _with_value(self, words: str, meaning: Meaning, text: str) -> Guess:
        value = bare_value(text)
        assert value is not None
        said = [self._spoken.say(number) for number in value.numbers]
        sign = "" if own_unit(meaning, value.unit) else value.unit
        unit = self._spoken.SIGNS.get(sign, sign)
        dose = self._spoken.UNITS.get(unit)
        heard = [word for word in words.split() if word != UNKNOWN]
        nearest = self._understanding.nearest
        at = nearest.opening(heard)[2]
        tokens, _, places = nearest.skeleton_of(heard[at:])
        front = " ".join(heard[:at])
        signs = {each for sign in self._spoken.SIGNS.values() for each in (sign, sign.rstrip("s"))}
        for body in with_numbers(heard[at:], tokens, places, said=said, unit=unit, signs=signs):
            again = body.split()
            marks, _, spans = nearest.skeleton_of(again)
            values = [" ".join(again[start:end]) for start, end in spans]
            for each in chain((body,), self._near(marks, values)):
                candidate = f"{front} {each}".strip()
                read = self._understanding.read(candidate.split())
                if same_but_value(read, meaning, value, dose):
                    return Guess(candidate, read)
        raise ValueError(f'"{text}" does not fit there: write the whole call as it was said')

    def for_help(self, words: str, likely: str) -> Guess:
        """Return the call for help that an utterance was, which may not have been understood: in the words
        heard, else the likely ones, else the words of the protocol nearest to them."""
        for said in (words, likely):
            read = self._understanding.read(said.split())
            if self._understanding.for_help(read) and not read.doubts and UNKNOWN not in said:
                return Guess(said, read)
        tokens = (likely or words).split()
        calls = [
            (_similarity(tokens, " ".join(tokens), each.tokens), " ".join(each.tokens))
            for each in self._skeletons
            if not each.names and each.call in self._help
        ]
        nearest = max(calls)[1]
        return Guess(nearest, self._understanding.read(nearest.split()))

    def _corrected(self, words: Sequence[str]) -> Iterator[str]:
        """Yield the words as their speaker corrected a number in them ("fifty, er, fifteen"): with the
        later number, then with the earlier one."""
        for at, word in enumerate(words):
            if word not in CORRECTING:
                continue
            before = next((n for n in RUN if at >= n and self._reads(words[at - n : at])), 0)
            after = next((n for n in RUN if self._reads(words[at + 1 : at + 1 + n])), 0)
            if before and after:
                yield " ".join([*words[: at - before], *words[at + 1 :]])
                yield " ".join([*words[:at], *words[at + 1 + after :]])

    def _reads(self, words: Sequence[str]) -> bool:
        return bool(words) and self._spoken.read(words) is not None

    def _candidates(self, words: Sequence[str], heard_else: str) -> Iterator[str]:
        if heard_else:
            yield heard_else
        if not words:
            return
        nearest = self._understanding.nearest
        at = nearest.opening(words)[2]
        front, body = list(words[:at]), list(words[at:])
        tokens, _, places = nearest.skeleton_of(body)
        yield from (" ".join([*front, *twin]) for twin in self._twins(body, places))
        values = [" ".join(body[start:end]) for start, end in places]
        yield from (" ".join([*front, near]) for near in self._near(tokens, values))

    def _twins(
        self, words: Sequence[str], places: Sequence[tuple[int, int]]
    ) -> Iterator[Sequence[str]]:
        """Yield the words with one number as it may have been meant: its other digits, or its twin."""
        for start, end in places:
            number = self._spoken.read(words[start:end])
            if number is None:
                continue
            others = (number.conflict, number.value, self._spoken.sounds_like(number.value))
            for value in others:
                if value is None:
                    continue
                try:
                    said = self._spoken.say(value)
                except ValueError:
                    continue
                yield [*words[:start], *said.split(), *words[end:]]

    def _near(self, tokens: Sequence[str], values: Sequence[str]) -> Iterator[str]:
        """Yield phrases that take the same values, the nearest first."""
        marks = [token for token in tokens if token.startswith("{")]
        letters = " ".join(tokens)
        scored: dict[str, float] = {}
        # Of the many ways to say one call the nearest stands for all.
        nearest: dict[str, tuple[float, Skeleton]] = {}
        for skeleton in self._skeletons:
            if [token for token in skeleton.tokens if token.startswith("{")] == marks:
                score = _similarity(tokens, letters, skeleton.tokens)
                if skeleton.call not in nearest or score > nearest[skeleton.call][0]:
                    nearest[skeleton.call] = score, skeleton
        for score, skeleton in nearest.values():
            said = iter(values)
            text = " ".join(next(said) if t.startswith("{") else t for t in skeleton.tokens)
            scored[text] = score
        if not marks:
            for text in self._plain:
                scored[text] = _similarity(tokens, letters, text.split())
        near = [text for text, score in scored.items() if score >= FAR]
        yield from sorted(near, key=lambda text: (-scored[text], text))


def _similarity(tokens: Sequence[str], letters: str, other: Sequence[str]) -> float:
    by_word = Indel.normalized_similarity(tokens, other)
    return (by_word + fuzz.ratio(letters, " ".join(other)) / 100) / 2


def _key(meaning: Meaning) -> object:
    readings = tuple((r.call, tuple(sorted(r.slots.items()))) for r in meaning.readings)
    return meaning.kind, readings, meaning.checklist, meaning.item, meaning.prowords
