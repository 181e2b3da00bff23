"""How sure a word is: from the sentences that the decoder held possible."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

from grammar.language.words import Word


@dataclass(frozen=True, slots=True)
class Alternative:
    """One sentence the decoder held possible. `score` in nats, higher is better, only differences
    count. Word times are seconds from where the engine's stream began."""

    words: tuple[Word, ...]
    score: float


def from_vosk(answer: str) -> tuple[Alternative, ...]:
    """Return the alternatives, best first, in vosk's JSON of a recogniser with SetMaxAlternatives.

    Its fields: `alternatives`, a list of `text`, `confidence` (a log-likelihood in spite of its
    name) and, with SetWords, `result`: a list of `word`, `start` and `end` in seconds.
    """
    found = json.loads(answer).get("alternatives", [])
    return tuple(
        Alternative(
            tuple(
                Word(text=word["word"], start=word["start"], end=word["end"])
                for word in entry.get("result", [])
            ),
            float(entry["confidence"]),
        )
        for entry in found
    )


def with_confidence(
    alternatives: Sequence[Alternative], sharpness: float = 1.0
) -> tuple[Word, ...]:
    """Return the best alternative's words, each with the share of belief that also holds it there.

    Belief in an alternative is its softmax over `sharpness` times the scores: 1 takes the scores at
    their word, lower spreads belief. A word is held by an alternative that has the same word at
    overlapping times.
    """
    if not alternatives:
        return ()
    best = max(alternatives, key=lambda each: each.score)
    beliefs = [math.exp(sharpness * (each.score - best.score)) for each in alternatives]
    total = sum(beliefs)
    return tuple(
        Word(
            text=word.text,
            start=word.start,
            end=word.end,
            confidence=sum(
                belief
                for belief, each in zip(beliefs, alternatives, strict=True)
                if _holds(each.words, word)
            )
            / total,
        )
        for word in best.words
    )


def _holds(words: Sequence[Word], wanted: Word) -> bool:
    return any(
        word.text == wanted.text and word.start < wanted.end and wanted.start < word.end
        for word in words
    )
