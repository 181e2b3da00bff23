"""The second listener: pocketsphinx, asked which of a few competing sentences it hears.

Asked openly it hears far worse than our own model, and would doubt every call in noise. Asked
whether "seventy" might have been "seventeen", as an engine of quite another family, it is a witness.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from typing import Protocol as Interface

from grammar.errors import UserError
from grammar.language.parse import Understanding, understanding_of
from grammar.language.phrases import UNKNOWN, network
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from listener.audio.dither import Dither
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.competing_sentences import competing
from listener.recognition.lexicon import build_lexicon
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Recogniser
from listener.recognition.sphinx_recogniser import dictionary_text

if TYPE_CHECKING:
    import pocketsphinx

_AROUND_S = 0.2
"""Sound before the first and after the last word that is heard too."""
_SHORTEST_S, _LONGEST_S = 0.2, 15.0
"""pocketsphinx crashes when it is fed many seconds at once."""
_NEVER = 1e-300
SLIGHT = 0.01
"""A competitor that fits better by less is no disagreement: on the calibrating voices that doubts half as
many utterances that were heard rightly, and nearly as many that were not."""


@dataclass(frozen=True, slots=True)
class Opinion:
    """The second listener's reading of an utterance."""

    agrees: bool
    """On drug, number and unit."""
    words: str
    margin: float
    """How much better it fits than the best competitor that means another drug, number or unit, or how
    much worse (below 0): in pocketsphinx's own scale."""


class Verifier(Interface):
    """A second listener, in this process or in one of its own (`supervised_verifier.py`)."""

    def wanted(self, words: Sequence[Word]) -> bool:
        """Return whether it should be asked about an utterance."""

    def opinion(
        self, samples: Samples, words: Sequence[Word], alternatives: Sequence[Alternative]
    ) -> Opinion | None:
        """Return which sentence it hears in a segment; None where it cannot say."""


def second_listener(protocol: Protocol, first: Recogniser) -> SphinxVerifier | None:
    """Return the second listener of a protocol; None where there can be none.

    That is for another language, where it is the first listener already, or where a word that a
    published model knows has no pronunciation here.
    """
    if not is_possible(protocol, first):
        return None
    try:
        return SphinxVerifier(
            network(protocol), protocol.pronunciations, understanding_of(protocol)
        )
    except UserError:
        return None


def is_possible(protocol: Protocol, first: Recogniser) -> bool:
    """Return whether pocketsphinx knows the language, and is not the first listener already."""
    return protocol.protocol.language == "en" and first.name != SphinxVerifier.name


def at_stake(understanding: Understanding, words: Sequence[Word]) -> bool:
    """Return whether an utterance holds a drug, a number or a unit."""
    said = [word.text for word in words if word.text != UNKNOWN]
    return bool(said) and understanding.read(said).at_stake


class SphinxVerifier:
    """pocketsphinx with the words of one protocol. Not for several threads at once."""

    name = "pocketsphinx, its US English model"

    def __init__(
        self,
        network: Network,
        pronunciations: Mapping[str, Sequence[str]],
        understanding: Understanding,
    ) -> None:
        """Raises UserError for a word that cannot be pronounced."""
        import pocketsphinx  # noqa: PLC0415  (an engine only if used)

        self._network = network
        self._understanding = understanding
        self._lexicon = build_lexicon(network.words, pronunciations)
        self._dither = Dither()
        with TemporaryDirectory(prefix="answerback-") as folder:
            dictionary = Path(folder) / "words.dict"
            dictionary.write_text(dictionary_text(self._lexicon), encoding="utf-8")
            self._decoder: pocketsphinx.Decoder = pocketsphinx.Decoder(
                dict=str(dictionary),
                lm=None,
                loglevel="FATAL",
                # Wide, as there is little to search: in noise nothing would be left otherwise.
                beam=1e-120,
                wbeam=1e-100,
                pbeam=1e-100,
                bestpath=False,
                samprate=SAMPLE_RATE,
            )
        self._mean = str(self._decoder.get_cmn(False))

    def wanted(self, words: Sequence[Word]) -> bool:
        """Return whether an utterance holds a drug, a number or a unit."""
        return at_stake(self._understanding, words)

    def opinion(
        self,
        samples: Samples,
        words: Sequence[Word],
        alternatives: Sequence[Alternative],
    ) -> Opinion | None:
        """Return which sentence it hears in a segment, shape (n,); times count from the segment's start.

        None where nothing competes, or it can make out none of the sentences.
        """
        said = tuple(word.text for word in words if word.text != UNKNOWN)
        if any(word not in self._lexicon for word in said):
            return None
        read = self._understanding.read
        others = competing(words, alternatives, read, self._network, self._lexicon)
        first = max(0, round((words[0].start - _AROUND_S) * SAMPLE_RATE))
        last = round((words[-1].end + _AROUND_S) * SAMPLE_RATE)
        sound = self._dither.fresh().add(samples[first:last])
        length_s = len(sound) / SAMPLE_RATE
        if not others or not _SHORTEST_S <= length_s <= _LONGEST_S:
            return None
        try:
            best, one = self._best([said], sound), self._best(others, sound)
        except RuntimeError:  # what pocketsphinx raises where it fails: then it has no opinion
            return None
        if best is None or one is None:
            return None
        margin = best[1] - one[1]
        agrees = margin >= -SLIGHT
        return Opinion(agrees, " ".join(best[0] if agrees else one[0]), margin)

    def _best(
        self, sentences: Sequence[tuple[str, ...]], sound: Samples
    ) -> tuple[tuple[str, ...], float] | None:
        """Return the sentence that fits best, and how well; None where none does to its end."""
        decoder = self._decoder
        possible = _trie(sentences)
        end = len(possible.arcs)
        arcs: list[tuple[int, int, float] | tuple[int, int, float, str]] = [
            (state, to, 1.0, word) for state, row in enumerate(possible.arcs) for word, to in row
        ]
        arcs += [(state, end, 1.0) for state in possible.finals]
        grammar = decoder.create_fsg("competing", possible.start, end, arcs)
        decoder.add_fsg("competing", grammar)
        decoder.activate_search("competing")
        # The running mean of what came before would set the sentences compared apart.
        decoder.set_cmn(self._mean)
        decoder.start_utt()
        decoder.process_raw(sound.tobytes(), False, True)
        decoder.end_utt()
        if decoder.hyp() is None:
            return None
        heard = [segment for segment in decoder.seg() or () if segment.word != "</s>"]
        words = tuple(segment.word.partition("(")[0] for segment in heard)
        score = sum(math.log(max(segment.ascore, _NEVER)) for segment in heard)
        return tuple(word for word in words if word in self._lexicon), score


def _trie(sentences: Sequence[tuple[str, ...]]) -> Network:
    rows: list[dict[str, int]] = [{}]
    finals = set()
    for sentence in sentences:
        state = 0
        for word in sentence:
            if word not in rows[state]:
                rows[state][word] = len(rows)
                rows.append({})
            state = rows[state][word]
        finals.add(state)
    return Network(tuple(tuple(row.items()) for row in rows), frozenset(finals))
