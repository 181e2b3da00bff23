"""Fits the quick ear's network to a team from its cards, where that hears them better.

Two thirds of each card take a few steps (`network_steps.py`); the third that is kept aside decides. A
network so made carries the speech of its team: it is as private as their voices
(`fitted_store.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Final

import numpy as np

from grammar.language.word_network import Network
from listener.audio.samples import Samples
from listener.recognition.lexicon import Lexicon, build_lexicon
from listener.recognition.phones import UNITS, units
from listener.recognition.recogniser import heard_words
from listener.recognition.vosk_recogniser import SHIPPED_MODEL, VoskRecogniser
from listener.team.ear_comparison import ASIDE
from listener.team.log_mel import log_mel
from listener.team.network_steps import Said, Steps, TeamNetwork, paths

FEWEST: Final = 10
"""Sentences to take steps on without which nothing is tried."""
USUAL: Final = Steps()

Spoken = tuple[str, Samples]
"""The words of a sentence of a card, and its sound."""


@dataclass(frozen=True, slots=True)
class Fitting:
    """The outcome of a fitting."""

    network: bytes | None = field(repr=False)
    """The fitted network, a `final.mdl`; None where it is not used."""
    before: int
    """Sentences kept aside that the network that ships understood."""
    after: int
    of: int
    """How many were kept aside; 0 where there were too few sentences to try."""


def shipped_network() -> bytes:
    """Return the network that ships."""
    return SHIPPED_MODEL.read_bytes()


def fingerprint(network: bytes) -> str:
    """Return what tells a network from others, SHA-256."""
    return sha256(network).hexdigest()


def fit(
    cards: Sequence[Sequence[Spoken]],
    words: Network,
    *,
    pronunciations: Mapping[str, Sequence[str]],
    same: Callable[[Sequence[str], str], bool],
    told: Callable[[float], None] = lambda _: None,
    steps: Steps = USUAL,
) -> Fitting:
    """Fit the network that ships to cards, one of each member.

    `words` is what the ear may hear; `same` says whether heard words are a sentence of a card; `told` is
    given the share that is done, 0 to 1. Whether the fitted network is used, `is_better` says. Raises
    UserError for a word without a pronunciation, ValueError where another's network ships.
    """
    kept = [card[::ASIDE] for card in cards]
    aside = [one for each in kept for one in each]
    rest = [one for card in cards for at, one in enumerate(card) if at % ASIDE]
    if len(rest) < FEWEST or not aside:
        return Fitting(None, 0, 0, 0)
    shipped = shipped_network()
    network = TeamNetwork(shipped)
    spoken = {word for text, _ in (*aside, *rest) for word in text.split()}
    lexicon = build_lexicon(spoken, pronunciations)
    judged = [_said(one, lexicon) for one in aside]
    cost = _cost(network, judged)
    network.take([_said(one, lexicon) for one in rest], steps, told)
    made = network.bytes()
    better = _cost(network, judged) < cost

    def understood(fitted: bytes | None) -> list[int]:
        ear = VoskRecogniser.ours(words, pronunciations, fitted=fitted)
        return [sum(same(heard_words(ear, sound), text) for text, sound in each) for each in kept]

    before, after = understood(None), understood(made)
    used = is_better(before, after, likelier=better)
    return Fitting(made if used else None, sum(before), sum(after), len(aside))


def is_better(before: Sequence[int], after: Sequence[int], *, likelier: bool) -> bool:
    """Return whether a fitted network is to be used.

    `before` and `after` count by member the sentences kept aside that were understood: it understands more
    of all, or as many and finds the words `likelier`, and fewer of nobody.
    """
    if any(now < once for once, now in zip(before, after, strict=True)):
        return False
    return sum(after) > sum(before) or likelier


def _said(spoken: Spoken, lexicon: Lexicon) -> Said:
    words = spoken[0].split()
    phones = [unit for word in words for unit in units(word, lexicon[word][0])]
    return Said(log_mel(spoken[1]), tuple(UNITS.index(unit) + 1 for unit in phones))


def _cost(network: TeamNetwork, said: Sequence[Said]) -> float:
    """Return the mean cost of sentences, nats a phone; those too short for their phones are left out."""
    outputs = network.outputs(said)
    costs = [
        paths(out, one.phones)[0] / len(one.phones) for one, out in zip(said, outputs, strict=True)
    ]
    finite = [cost for cost in costs if np.isfinite(cost)]
    return float(np.mean(finite)) if finite else 0.0
