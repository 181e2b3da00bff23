"""The sentences that compete with one that was heard: others in which drug, number or unit differ."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rapidfuzz.distance import Indel

from grammar.language.meaning import Meaning
from grammar.language.phrases import UNKNOWN
from grammar.language.word_network import Network
from grammar.language.words import Word
from listener.confidence.judging_two_ears import key_of
from listener.recognition.lexicon import Lexicon
from listener.recognition.n_best import Alternative

ALIKE = 0.5
"""Least similarity of two words' phones, 0 to 1, for one to be mistaken for the other."""
NEIGHBOURS = 2
"""So many words that sound alike are tried in each place."""
BEYOND = 6.0
"""The lead over a rival that the decoder held too unlikely to name, nats: its lattice beam."""
_EDGE_S = 0.1

Read = Callable[[Sequence[str]], Meaning]
Stakes = frozenset[tuple[tuple[str, Any], ...]]


def stakes(meaning: Meaning) -> Stakes:
    """Return the values that would do harm if heard wrongly, in every reading: drug, unit and numbers."""
    return frozenset(
        tuple(
            sorted(
                (name, str(value))
                for name, value in reading.slots.items()
                if name in ("drug", "unit") or not isinstance(value, str)
            )
        )
        for reading in meaning.readings
    ) - {()}


def competing(
    heard: Sequence[Word],
    alternatives: Sequence[Alternative],
    read: Read,
    network: Network,
    lexicon: Lexicon,
) -> list[tuple[str, ...]]:
    """Return sentences with another drug, number or unit than `heard`, each meaning once.

    They are those that the first listener held possible at that time, and those in which one word is
    another that sounds like it.
    """
    words = tuple(word.text for word in heard if word.text != UNKNOWN)
    mine = stakes(read(words))
    found: dict[Stakes, tuple[str, ...]] = {mine: words}
    for other in (*_held_possible(heard, alternatives), *_alike(words, network, lexicon)):
        if other:
            found.setdefault(stakes(read(other)), other)
    return [other for meaning, other in found.items() if meaning != mine and meaning]


@dataclass(frozen=True, slots=True)
class Leads:
    """How much better the decoder found what it heard than its rivals, nats, 0 to `BEYOND`."""

    at_stake: float
    """Over the best sentence with another drug, number or unit."""
    any: float
    """Over the best sentence that means anything else."""


def leads(heard: Sequence[Word], alternatives: Sequence[Alternative], read: Read) -> Leads:
    """Return the leads of what was heard over the sentences that the decoder held possible in its place."""
    own = read([word.text for word in heard if word.text != UNKNOWN])
    mine, key = stakes(own), key_of(own)
    ranked = sorted(alternatives, key=lambda each: -each.score)
    any_lead = None
    # No further than the first rival at stake: an utterance waits, and to read a sentence takes a while.
    for words, each in zip(_held_possible(heard, ranked), ranked, strict=True):
        other = read(words) if words else None
        behind = min(ranked[0].score - each.score, BEYOND)
        if any_lead is None and (other is None or key_of(other) != key):
            any_lead = behind
        if other is not None and stakes(other) != mine:
            return Leads(behind, behind if any_lead is None else any_lead)
    return Leads(BEYOND, BEYOND if any_lead is None else any_lead)


def _held_possible(
    heard: Sequence[Word], alternatives: Sequence[Alternative]
) -> Iterator[tuple[str, ...]]:
    begins, ends = heard[0].start - _EDGE_S, heard[-1].end + _EDGE_S
    for each in alternatives:
        yield tuple(
            word.text
            for word in each.words
            if word.text != UNKNOWN and word.start >= begins and word.end <= ends
        )


def _alike(words: Sequence[str], network: Network, lexicon: Lexicon) -> Iterator[tuple[str, ...]]:
    for at, word in enumerate(words):
        state = network.follow(network.start, words[:at])
        if state is None:
            return
        others = [other for other, _ in network.arcs[state] if other != word]
        near = sorted((-_likeness(word, other, lexicon), other) for other in others)
        for unlike, other in near[:NEIGHBOURS]:
            changed = (*words[:at], other, *words[at + 1 :])
            if -unlike >= ALIKE and network.accepts(changed):
                yield changed


def _likeness(one: str, other: str, lexicon: Mapping[str, Sequence[Sequence[str]]]) -> float:
    return max(
        float(Indel.normalized_similarity(list(a), list(b)))
        for a in lexicon[one]
        for b in lexicon[other]
    )
