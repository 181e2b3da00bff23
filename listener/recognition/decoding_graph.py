"""A word network and its pronunciations compiled into vosk's decoding graph.

vosk usually decodes a list of phrases as a bigram, in which words come in any order. Here the graph
is the grammar itself, so that only sentences of the network can be heard, and everything else is
heard as `[unk]`. The language of the graph is

    speech = item (gap item)*        item = a sentence of the network, or filler

(no two fillers in a row, as one may hold any pause).

Filler is any sequence of phones, each at a price: where speech fits no sentence well, swallowing it
phone by phone is cheaper than forcing a sentence on it. A gap is a short silence: a read-back that
follows a call quickly, or a call after chatter, is heard although both lie in one speech segment.

The graph is a Kaldi HCLG whose input labels are the transition ids of `phones.py`. Words that leave
the same network state share a tree of phones, and words that enter the same network state share
their last phone, which keeps the graph small and the search quick.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from grammar.language.phrases import UNKNOWN
from grammar.language.word_network import Network
from listener.recognition.kaldi_files import DecodingGraph
from listener.recognition.lexicon import Lexicon
from listener.recognition.phones import SILENCE, UNITS, forward_id, positioned, self_loop_id, units

_TEENS = ("thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")
_NUMERALS = ("tree", "fower", "fife", "niner", "oh", "nought")
_COURTESIES = ("please", "everyone", "now", "right", "so")

SELDOM: Mapping[str, float] = MappingProxyType(
    {
        **dict.fromkeys(_TEENS, 0.4),
        # Radio numerals and courtesies are short, and near to "three", "four", "two" and "three so".
        **dict.fromkeys(_NUMERALS, 1.0),
        **dict.fromkeys(_COURTESIES, 1.0),
        # "For one minute" and "four one minutes" sound alike.
        "four": 0.5,
        # "Seventeen" is not to be heard as "seven team": dearer than a teen.
        "team": 3.0,
    }
)
"""Words that few teams say, in nats."""


@dataclass(frozen=True, slots=True)
class GraphPrices:
    """Prices of the graph, in nats: the same currency as the network's log-probabilities."""

    grammar_scale: float = 0.5
    """Share of log(branching) that a word costs. Below 1 as the network's scores of neighbouring
    frames are not independent and would drown a full language model price. From 0.3 to 0.5 the calibrating
    voices' calls are heard alike."""
    stay: float = 0.1
    """Each further 30 ms in a phone. Above 0, so that long pauses prefer silence to a stretched last phone.
    Words then end at their last spike, which may be too soon: see `word_ends.py`."""
    silence: float = 0.4
    """Entering a silence between words; staying in it is free."""
    filler: float = 4.5
    """Filler as such, once. Shields short calls: a lone number is few phones, and one of them that
    an unfamiliar voice says oddly would tip it over."""
    filler_phone: float = 1.2
    """Each phone of filler. Lower rejects more: of unrelated speech, and of true calls. Chosen with
    `filler` on recorded prompts, numbers spoken by a person, and calls in noise."""
    filler_stay: float = 0.0
    """Each further 30 ms in a filler phone: chatter may drawl."""
    gap_frames: int = 4
    """The least silence between two items, in frames of 30 ms. Shorter than most pauses between
    two speakers, longer than most stops inside a word."""
    repeat: float = 4.0
    """Each item after the first. Keeps one call with a pause in it from becoming two."""
    empty: float = 0.0
    """A segment in which nothing was said."""
    words: Mapping[str, float] = field(default_factory=lambda: SELDOM)
    """Prices of single words beside their phones, for words that are seldom said."""


def compile_graph(
    network: Network, lexicon: Lexicon, prices: GraphPrices | None = None
) -> DecodingGraph:
    """Return the decoding graph of a network. `lexicon` must hold every word of it.

    Raises KeyError for a word without pronunciation; `build_lexicon` reports those to the user.
    """
    builder = _Builder(network, lexicon, prices or GraphPrices())
    builder.add_start()
    builder.add_silences()
    for state in range(len(network.arcs)):
        builder.add_words(state)
    builder.add_ends()
    builder.add_filler()
    return builder.graph()


@dataclass(slots=True)
class _Builder:
    """Graph states below len(network.arcs) are the network's own; others are numbered as made."""

    network: Network
    lexicon: Lexicon
    prices: GraphPrices
    states: int = 0
    rows: list[tuple[int, int, int, int]] = field(default_factory=list)
    costs: list[float] = field(default_factory=list)
    final_prices: dict[int, float] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    labels: dict[str, int] = field(default_factory=dict)
    start: int = 0
    filler: int = 0
    last_phones: dict[tuple[int, str], int] = field(default_factory=dict)
    ways: dict[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.states = len(self.network.arcs)
        self.words = [*sorted(self.network.words), UNKNOWN]
        self.labels = {word: number for number, word in enumerate(self.words, start=1)}
        self.ways = {
            word: tuple(positioned(units(word, way)) for way in self.lexicon[word])
            for word in self.network.words
        }
        self.start, self.filler = self._new(), self._new()

    def _new(self) -> int:
        self.states += 1
        return self.states - 1

    def _arc(
        self, source: int, to: int, *, hears: int = 0, says: int = 0, price: float = 0.0
    ) -> None:
        """Add an arc: it takes the input label `hears`, writes the output label `says` (0: none), and costs
        `price` in nats."""
        self.rows.append((source, hears, says, to))
        self.costs.append(price)

    def _phone(self, name: str, stay: float) -> int:
        """Return a new state in which a phone has just been entered."""
        state = self._new()
        self._arc(state, state, hears=self_loop_id(name), price=stay)
        return state

    def add_silences(self) -> None:
        """Add an optional silence between any two words of a sentence."""
        for state, arcs in enumerate(self.network.arcs):
            if arcs and state != self.network.start:
                silent = self._phone(SILENCE, 0.0)
                self._arc(state, silent, hears=forward_id(SILENCE), price=self.prices.silence)
                self._arc(silent, state)

    def add_words(self, state: int) -> None:
        """Add the words that leave a network state, as one tree of phones."""
        price = self._branching_price(state)
        tree: dict[tuple[int, str], int] = {}
        for word, to in self.network.arcs[state]:
            for way in self.ways[word]:
                here, due = state, price
                for phone in way[:-1]:
                    following = tree.get((here, phone))
                    if following is None:
                        following = tree[here, phone] = self._phone(phone, self.prices.stay)
                        self._arc(here, following, hears=forward_id(phone), price=due)
                    here, due = following, 0.0
                last = self._last_phone(way[-1], to)
                own = self.prices.words.get(word, 0.0)
                self._arc(
                    here, last, hears=forward_id(way[-1]), says=self.labels[word], price=due + own
                )

    def _last_phone(self, phone: str, to: int) -> int:
        """Return the state of a word's last phone before network state `to`, shared among words."""
        known = self.last_phones.get((to, phone))
        if known is None:
            known = self.last_phones[to, phone] = self._phone(phone, self.prices.stay)
            self._arc(known, to)
        return known

    def _branching_price(self, state: int) -> float:
        choices = len(self.network.arcs[state]) + (state in self.network.finals)
        return self.prices.grammar_scale * math.log(max(choices, 1))

    def add_ends(self) -> None:
        """Add the ways from the end of a sentence to the end of the segment, or over a gap to the next
        item.
        """
        ended = self._new()
        for state in self.network.finals:
            self._arc(state, ended, price=self._branching_price(state))
        after_gap = self._gap(ended)
        self._arc(after_gap, self.network.start, price=self.prices.repeat)
        self._arc(after_gap, self.filler, price=self.prices.repeat)

    def _gap(self, ended: int) -> int:
        """From state `ended`, where speech may end, a silence long enough to part two items."""
        self.final_prices[ended] = 0.0
        here = self._new()
        self._arc(ended, here, hears=forward_id(SILENCE), price=self.prices.silence)
        self.final_prices[here] = 0.0
        for _ in range(self.prices.gap_frames - 1):
            following = self._new()
            self._arc(here, following, hears=self_loop_id(SILENCE))
            self.final_prices[following] = 0.0
            here = following
        self._arc(here, here, hears=self_loop_id(SILENCE))
        return here

    def add_filler(self) -> None:
        """Add two or more phones of any kind as one word `[unk]`, first of all or after a gap."""
        middle, ended = self._new(), self._new()
        stay, price = self.prices.filler_stay, self.prices.filler_phone
        for phone in UNITS:
            for source, place, label, to in (
                (self.filler, "B", self.labels[UNKNOWN], middle),
                (middle, "I", 0, middle),
                (middle, "E", 0, ended),
            ):
                name = f"{phone}_{place}"
                entered = self._phone(name, stay)
                enters = self.prices.filler if label else 0.0
                self._arc(source, entered, hears=forward_id(name), says=label, price=price + enters)
                self._arc(entered, to)
        self._arc(self._gap(ended), self.network.start, price=self.prices.repeat)

    def add_start(self) -> None:
        """Add the start: a segment begins with silence or at once, and then with a sentence
        or with filler.
        """
        silent = self._phone(SILENCE, 0.0)
        self.final_prices[silent] = self.prices.empty
        self._arc(self.start, silent, hears=forward_id(SILENCE), price=self.prices.silence)
        for state in (self.start, silent):
            self._arc(state, self.network.start)
            self._arc(state, self.filler)

    def graph(self) -> DecodingGraph:
        """Return everything added so far, its arcs sorted by state."""
        arcs = np.array(self.rows, dtype=np.int32).reshape(-1, 4)
        order = np.argsort(arcs[:, 0], kind="stable")
        finals = np.full(self.states, np.inf, dtype=np.float32)
        finals[list(self.final_prices)] = list(self.final_prices.values())
        return DecodingGraph(
            arcs=arcs[order],
            prices=np.array(self.costs, dtype=np.float32)[order],
            finals=finals,
            start=self.start,
            words=tuple(self.words),
        )
