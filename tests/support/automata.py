"""Automata over words, to compare what two grammars accept by walking both."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from listener.recognition.kaldi_files import DecodingGraph

Arcs = dict[int, list[tuple[str, int]]]


@dataclass(frozen=True)
class Automaton:
    """Nondeterministic; the word "" is silent. `arcs[state]` holds (word, next state)."""

    arcs: Arcs
    start: int
    finals: frozenset[int]
    _silent: dict[int, frozenset[int]] = field(default_factory=dict, init=False, repr=False)
    """What `silently` found before, by the state it set out from."""

    def silently(self, states: Iterable[int]) -> frozenset[int]:
        """Every state reached without a word that is final or that a word leaves: the others only pass
        on."""
        return frozenset().union(*map(self._silently, states))

    def _silently(self, state: int) -> frozenset[int]:
        if state not in self._silent:
            found = {state}
            waiting = [state]
            while waiting:
                for word, to in self.arcs.get(waiting.pop(), ()):
                    if not word and to not in found:
                        found.add(to)
                        waiting.append(to)
            self._silent[state] = frozenset(
                each
                for each in found
                if each in self.finals or any(word for word, _ in self.arcs.get(each, ()))
            )
        return self._silent[state]

    def following(self, states: Iterable[int]) -> dict[str, frozenset[int]]:
        """From these states, silently closed: each possible word and where it leads."""
        led: dict[str, set[int]] = defaultdict(set)
        for state in states:
            for word, to in self.arcs.get(state, ()):
                if word:
                    led[word].add(to)
        return {word: self.silently(to) for word, to in led.items()}

    @cached_property
    def beginning(self) -> frozenset[int]:
        """The states before the first word."""
        return self.silently([self.start])

    def accepts(self, words: Sequence[str]) -> bool:
        here = self.beginning
        for word in words:
            here = self.silently(
                to for state in here for label, to in self.arcs.get(state, ()) if label == word
            )
        return bool(here & self.finals)

    def trimmed(self) -> Automaton:
        """Without the states from which no end can be reached."""
        into: dict[int, list[int]] = defaultdict(list)
        for state, row in self.arcs.items():
            for _, to in row:
                into[to].append(state)
        useful = set(self.finals)
        waiting = list(useful)
        while waiting:
            for source in into[waiting.pop()]:
                if source not in useful:
                    useful.add(source)
                    waiting.append(source)
        arcs = {
            state: [(word, to) for word, to in row if to in useful]
            for state, row in self.arcs.items()
            if state in useful
        }
        return Automaton(arcs, self.start, self.finals)

    def sample(self, rng: random.Random) -> list[str]:
        """The words of a random path; where a path could end, it does half the time."""
        state, words = self.start, list[str]()
        while True:
            ways = [(word, to) for word, to in self.arcs.get(state, ()) if to != state]
            if state in self.finals and (not ways or rng.random() < 0.5):
                return words
            word, state = rng.choice(ways)
            if word:
                words.append(word)


def from_graph(graph: DecodingGraph) -> Automaton:
    """A decoding graph's words, whatever its sounds."""
    arcs: Arcs = defaultdict(list)
    names = ("", *graph.words)
    for source, _, word, to in graph.arcs.tolist():
        arcs[source].append((names[word], to))
    finals = np.flatnonzero(np.isfinite(graph.finals)).tolist()
    return Automaton(dict(arcs), graph.start, frozenset(finals))


def from_fsg(text: str) -> Automaton:
    """The finite-state grammar that pocketsphinx writes: lines of a keyword and its numbers."""
    arcs: Arcs = defaultdict(list)
    named: dict[str, int] = {}
    for line in text.splitlines():
        match line.split():
            case ["TRANSITION", source, to, _, word]:
                arcs[int(source)].append((word, int(to)))
            case ["TRANSITION", source, to, _]:
                arcs[int(source)].append(("", int(to)))
            case [("START_STATE" | "FINAL_STATE") as name, state]:
                named[name] = int(state)
    return Automaton(dict(arcs), named["START_STATE"], frozenset([named["FINAL_STATE"]]))
