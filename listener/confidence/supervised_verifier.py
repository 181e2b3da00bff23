"""The second listener in a process of its own: where it fails, hearing goes on without."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from grammar.errors import UserError
from grammar.language.parse import Understanding, understanding_of
from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from listener.audio.samples import Samples
from listener.confidence.verifier import Opinion, SphinxVerifier, Verifier, at_stake, is_possible
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Recogniser
from listener.recognition.worker_process import OptionalProcess

PATIENCE_S: Final = 60.0
"""An answer takes some tenths of a second; nobody waits for it while sound comes."""

START_PATIENCE_S: Final = 60.0


def start_verifier(protocol: Protocol, first: Recogniser) -> SupervisedVerifier | None:
    """Return the verifier of a protocol; None where there can be none."""
    if not is_possible(protocol, first):
        return None
    return SupervisedVerifier(understanding_of(protocol), partial(_made, protocol), PATIENCE_S)


def _made(protocol: Protocol) -> SphinxVerifier:
    return SphinxVerifier(network(protocol), protocol.pronunciations, understanding_of(protocol))


class SupervisedVerifier(OptionalProcess):
    """A second listener that `make` builds in another process. Not for several threads at once."""

    def __init__(
        self,
        understanding: Understanding,
        make: Callable[[], Verifier],
        patience_s: float = PATIENCE_S,
    ) -> None:
        """`make` can be pickled. Its process begins at once and is not waited for."""
        super().__init__(
            partial(_Answering, make),
            patience_s=patience_s,
            start_patience_s=START_PATIENCE_S,
            name="the second listener",
            once_failed="one utterance was heard once only",
            given_up="numbers and drugs are heard once only from here on",
        )
        self._understanding = understanding

    def wanted(self, words: Sequence[Word]) -> bool:
        """Return whether an utterance holds a drug, a number or a unit, and there is still a process to
        ask.
        """
        return self.process is not None and at_stake(self._understanding, words)

    def opinion(
        self, samples: Samples, words: Sequence[Word], alternatives: Sequence[Alternative]
    ) -> Opinion | None:
        """Return the opinion as `SphinxVerifier.opinion` does; None also where the process failed, which
        becomes news.
        """
        try:
            found: Opinion | None = self.answer(samples, tuple(words), tuple(alternatives))
            return found
        except UserError:  # a word without a pronunciation here: there can be none
            return None


class _Answering:
    """The other side."""

    def __init__(self, make: Callable[[], Verifier]) -> None:
        self._second = make()

    def __call__(
        self, samples: Samples, words: Sequence[Word], alternatives: Sequence[Alternative]
    ) -> Opinion | None:
        return self._second.opinion(samples, words, alternatives)
