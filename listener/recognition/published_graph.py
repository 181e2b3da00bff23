"""A word network as the grammar of a published model, so that it too hears exactly that.

Published small models come in two halves, which vosk composes while it listens: `graph/HCLr.fst`
(sounds to words) and `graph/Gr.fst` (words to sentences, general language). Here the second half is
replaced by our network. vosk's own way with such models, a phrase list, gives a bigram, in which words
come in any order.

Word numbers are those of the symbol table inside `Gr.fst`. Beside the sentences stands filler: a loop
over the model's short words at a price each, written as `[unk]`, that takes unrelated speech.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from grammar.language.phrases import UNKNOWN
from grammar.language.word_network import Network
from listener.recognition.kaldi_files import DecodingGraph, link_or_copy, vector_fst, words_text

_FST_MAGIC = 2125659606
_SYMBOLS_MAGIC = 2125658996
_HAS_SYMBOLS = 1
"""Flag of an OpenFst header: a symbol table of the input labels follows it."""
_HEAD_BYTES = 64_000_000
"""The symbol table lies at the beginning; half a million words take 12 MB."""


@dataclass(frozen=True, slots=True)
class WordPrices:
    """Prices of the grammar, in nats. Chosen on synthetic Korean, the only model tried. Filler at
    10 and 6 takes a third more of small talk, and a fifth of lone short calls; at 6 and 4 it takes
    four calls of ten."""

    word: float = 2.0
    """Each word: a general language model has its price too, and without one many short words beat
    one long word."""
    short: float = 4.0
    """Each word of one letter more: in Korean the digits, which else fill every gap."""
    repeat: float = 10.0
    """Each sentence after the first in one stretch of speech."""
    filler: float = 20.0
    """Filler as such, once."""
    filler_word: float = 12.0
    """Each word of filler."""
    filler_words: int = 1500
    """At most so many words are in the filler, the shortest of the model."""


def is_open(folder: Path) -> bool:
    """Return whether a model's grammar can be replaced: large models come as one closed graph."""
    return all((folder / "graph" / part).is_file() for part in ("HCLr.fst", "Gr.fst"))


def vocabulary(folder: Path) -> dict[str, int]:
    """Word -> number, from the symbol table in `graph/Gr.fst` (OpenFst 1.x, fst.cc, symbol-table.cc).

    Raises ValueError where the file holds none.
    """
    with (folder / "graph" / "Gr.fst").open("rb") as file:
        data = file.read(_HEAD_BYTES)
    try:
        return _symbols(data)
    except (struct.error, UnicodeDecodeError) as error:
        raise ValueError("no symbol table") from error


def exact_words(folder: Path) -> dict[str, int] | None:
    """Return the numbers of a model's words where its grammar can be replaced, else None."""
    try:
        return vocabulary(folder) if is_open(folder) else None
    except (OSError, ValueError):
        return None


def _symbols(data: bytes) -> dict[str, int]:
    at = 4
    for _ in ("type", "arc type"):
        at += 4 + struct.unpack_from("<i", data, at)[0]
    _version, flags = struct.unpack_from("<ii", data, at)
    at += 8 + 4 * 8  # then properties, start, states, arcs
    if struct.unpack_from("<i", data)[0] != _FST_MAGIC or not flags & _HAS_SYMBOLS:
        raise ValueError("no symbol table")
    magic, length = struct.unpack_from("<ii", data, at)
    if magic != _SYMBOLS_MAGIC:
        raise ValueError("no symbol table")
    at += 8 + length
    _next, count = struct.unpack_from("<qq", data, at)
    at += 16
    found = {}
    for _ in range(count):
        length = struct.unpack_from("<i", data, at)[0]
        word = data[at + 4 : at + 4 + length].decode()
        at += 4 + length
        found[word] = struct.unpack_from("<q", data, at)[0]
        at += 8
    return found


def grammar_of(
    network: Network, known: Mapping[str, int], prices: WordPrices | None = None
) -> DecodingGraph:
    """Return the network as a transducer from a model's word numbers to its words and `[unk]`.

    Arcs of words that the model does not know are left out.
    """
    cost = prices or WordPrices()
    words = (*sorted(network.words & known.keys()), UNKNOWN)
    labels = {word: number for number, word in enumerate(words, start=1)}
    filler, states = len(network.arcs), len(network.arcs) + 1
    arcs: list[tuple[int, int, int, int, float]] = []
    for state, row in enumerate(network.arcs):
        for word, to in row:
            if word in known:
                price = cost.word + (cost.short if len(word) == 1 else 0.0)
                arcs.append((state, known[word], labels[word], to, price))
    for final in network.finals:
        arcs.append((final, 0, 0, network.start, cost.repeat))
        arcs.append((final, 0, 0, filler, cost.repeat))
    arcs.append((network.start, 0, 0, filler, 0.0))
    swallowed = _filler_words(known, network.words, cost.filler_words)
    arcs += [(filler, known[word], labels[UNKNOWN], states, cost.filler) for word in swallowed]
    arcs += [(states, known[word], 0, states, cost.filler_word) for word in swallowed]
    arcs.append((states, 0, 0, network.start, 0.0))
    arcs.sort(key=lambda arc: arc[:2])
    finals = np.full(states + 1, math.inf, np.float32)
    finals[[*network.finals, states]] = 0.0
    table = np.array([arc[:4] for arc in arcs], np.int32)
    costs = np.array([arc[4] for arc in arcs], np.float32)
    return DecodingGraph(arcs=table, prices=costs, finals=finals, start=network.start, words=words)


def _filler_words(known: Mapping[str, int], own: frozenset[str], most: int) -> list[str]:
    """Return the model's shortest words that the protocol does not say."""
    letters = (word for word in known if word.isalpha() and word not in own)
    return sorted(letters, key=lambda word: (len(word), word))[:most]


@contextmanager
def with_grammar(folder: Path, grammar: DecodingGraph) -> Iterator[Path]:
    """A temporary copy of a model's folder with that grammar, made of links; gone afterwards."""
    with TemporaryDirectory(prefix="answerback-") as name:
        copy = Path(name)
        (copy / "graph").mkdir()
        for part in folder.iterdir():
            if part.name != "graph":
                link_or_copy(part, copy / part.name)
        for part in (folder / "graph").iterdir():
            if part.name not in ("Gr.fst", "words.txt"):
                link_or_copy(part, copy / "graph" / part.name)
        (copy / "graph" / "Gr.fst").write_bytes(vector_fst(grammar))
        (copy / "graph" / "words.txt").write_text(words_text(grammar.words), encoding="utf-8")
        yield copy
