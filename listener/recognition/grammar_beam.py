"""The likeliest sentences of a word network for a sound, by a transcriber held to it token by token.

Beside them the same network writes down freely what it hears: how likely that is, in the same
currency, is what a sentence has to be compared with before it is believed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from listener.recognition.panelled_matrix import Array
from listener.recognition.token_paths import Place, TokenPaths
from listener.recognition.whisper_decoder import Branches, Sound, WhisperDecoder

LENGTH_BONUS: Final = 1.0
"""Nats that each token is worth beside its probability. Whisper ends a short sentence too gladly: of 64
orders by people in kitchen noise at 6 dB 78 % were right without it, 95 to 97 % with 0.5 to 1.5."""

WIDTH: Final = 12
"""Sentences kept at each token."""

MARGIN: Final = 14.0
"""A sentence further behind the best complete one, in nats with their bonus, is given up."""

LONGEST: Final = 70
"""Tokens."""

_LOOPS: Final = range(3, 41)
"""Tokens in a free text that are said twice in a row: it runs in circles from there."""


def never() -> bool:
    """Return False: somebody wants it."""
    return False


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence of the network."""

    words: tuple[str, ...]
    nats: float
    """The logarithm of its probability given the sound."""
    tokens: int

    @property
    def score(self) -> float:
        """Return the log-probability in nats, with a bonus for each token, so that long sentences are not
        at a loss.
        """
        return self.nats + LENGTH_BONUS * self.tokens


@dataclass(frozen=True, slots=True)
class FreeText:
    """The text that the transcriber writes when it may write anything."""

    tokens: tuple[int, ...]
    nats: float
    no_speech: float
    """The logarithm of the probability that nobody speaks, as Whisper has it before its first token."""

    @property
    def score(self) -> float:
        """Return the log-probability in nats, with the same bonus for each token as `Sentence.score`."""
        return self.nats + LENGTH_BONUS * len(self.tokens)


@dataclass(frozen=True, slots=True)
class Marks:
    """Tokens that are no words."""

    comma: int
    stop: int
    end: int
    no_speech: int


@dataclass(slots=True)
class _Growing:
    place: Place
    words: tuple[str, ...]
    nats: float
    tokens: int
    row: int
    mark: int | None = None
    """The comma or full stop that it ends in."""


@dataclass(slots=True)
class _Free:
    tokens: list[int] = field(default_factory=list)
    nats: float = 0.0
    row: int = 0
    done: bool = False

    def take(self, token: int, nats: float, end: int) -> None:
        """Add the likeliest next token; the text is done at the `end` token, or where it says the same
        twice in a row.
        """
        self.nats += nats
        if token == end:
            self.done = True
            return
        self.tokens.append(token)
        for length in _LOOPS:
            if self.tokens[-length:] == self.tokens[-2 * length : -length]:
                del self.tokens[-length:]
                self.done = True
                return
        self.done = len(self.tokens) >= LONGEST


class GrammarBeam:
    """A beam search over the sentences of one network."""

    def __init__(self, decoder: WhisperDecoder, paths: TokenPaths, marks: Marks) -> None:
        self._decoder = decoder
        self._paths = paths
        self._marks = marks

    def hear(
        self, sound: Sound, begins: Sequence[int], unwanted: Callable[[], bool] = never
    ) -> tuple[list[Sentence], FreeText] | None:
        """Return the likeliest sentences, best first, and the free text; None once `unwanted` says that
        nobody wants them. `begins` are the tokens before them.
        """
        begun = self._decoder.begin(begins, sound)
        no_speech = float(self._decoder.likely(begun.first, None)[0, self._marks.no_speech])
        branches = Branches(len(begun.layers))
        likely = self._likely(begun.last)
        growing, free = [_Growing(self._paths.start, (), 0.0, 0, 0)], _Free()
        complete: dict[tuple[str, ...], Sentence] = {}
        while not unwanted():
            onward = self._onward(growing, likely, complete)
            if not free.done:
                token = int(likely[free.row].argmax())
                free.take(token, float(likely[free.row, token]), self._marks.end)
            kept = _best(onward, complete)
            if kept and kept[0][1].tokens >= LONGEST:
                kept = []
            if not kept and free.done:
                found = sorted(complete.values(), key=lambda each: -each.score)
                return found, FreeText(tuple(free.tokens), free.nats, no_speech)
            rows = [one.row for _, one in kept] + ([] if free.done else [free.row])
            tokens = [token for token, _ in kept] + ([] if free.done else free.tokens[-1:])
            branches.follow(rows)
            likely = self._likely(self._decoder.step(tokens, branches, begun, sound))
            growing = [one for _, one in kept]
            for row, one in enumerate(growing):
                one.row = row
            free.row = len(growing)
        return None

    def _likely(self, states: Array) -> Array:
        return self._decoder.likely(states, self._marks.end + 1)

    def _onward(
        self,
        growing: Sequence[_Growing],
        likely: Array,
        complete: dict[tuple[str, ...], Sentence],
    ) -> list[tuple[int, _Growing]]:
        """Return every sentence with one more token; those that end become complete."""
        marks, found = self._marks, []
        for one in growing:
            row = likely[one.row]
            ends = one.mark == marks.stop or (one.mark is None and self._paths.may_end(one.place))
            if ends:
                _complete(complete, one, float(row[marks.end]))
            if one.mark == marks.stop:
                continue
            for token, ways in self._paths.onward(one.place).items():
                nats = one.nats + float(row[token])
                for way in ways:
                    words = (*one.words, way.word) if way.word else one.words
                    grown = _Growing(way.place, words, nats, one.tokens + 1, one.row)
                    found.append((token, grown))
            if one.mark is None:
                for mark, possible in (
                    (marks.stop, ends),
                    (marks.comma, self._paths.goes_on(one.place)),
                ):
                    if possible:
                        nats = one.nats + float(row[mark])
                        grown = _Growing(one.place, one.words, nats, one.tokens + 1, one.row, mark)
                        found.append((mark, grown))
        return found


def _complete(complete: dict[tuple[str, ...], Sentence], one: _Growing, end_nats: float) -> None:
    """Make a sentence complete, with or without its stop and commas: their probabilities add up."""
    nats = one.nats + end_nats
    known = complete.get(one.words)
    tokens = one.tokens if known is None or nats > known.nats else known.tokens
    whole = nats if known is None else float(np.logaddexp(known.nats, nats))
    complete[one.words] = Sentence(one.words, whole, tokens)


def _best(
    onward: list[tuple[int, _Growing]], complete: dict[tuple[str, ...], Sentence]
) -> list[tuple[int, _Growing]]:
    """Return the likeliest of each place and words, as many as are kept."""
    least = max((each.score for each in complete.values()), default=-np.inf) - MARGIN
    onward.sort(key=lambda each: -each[1].nats)
    seen, kept = set(), []
    for token, one in onward:
        if one.nats + LENGTH_BONUS * one.tokens < least:
            break
        key = one.words, one.place, one.mark
        if key not in seen:
            seen.add(key)
            kept.append((token, one))
            if len(kept) == WIDTH:
                break
    return kept
