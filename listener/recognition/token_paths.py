"""A word network spelled in a transcriber's tokens: which token may follow, and where it leads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from grammar.language.word_network import Network

Spell = Callable[[str], list[int]]
"""The tokens of a text."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a sentence: the network's state, and the tokens of a word that is not complete yet."""

    state: int
    part: tuple[int, ...] = ()
    begun: bool = False
    """Whether a word has been said."""


@dataclass(frozen=True, slots=True)
class Onward:
    """One way on: the place that a token leads to, and the word that it completes, if any."""

    place: Place
    word: str | None


class TokenPaths:
    """The tokens of every sentence of a network, worked out as they are asked for.

    The first word may begin with a capital letter, as transcribers write.
    """

    def __init__(self, network: Network, spell: Spell) -> None:
        self.network = network
        self._spell = spell
        self._spellings: dict[tuple[str, bool], tuple[tuple[int, ...], ...]] = {}
        self._onward: dict[Place, dict[int, tuple[Onward, ...]]] = {}

    @property
    def start(self) -> Place:
        """Return the place before the first token."""
        return Place(self.network.start)

    def may_end(self, place: Place) -> bool:
        """Return whether a sentence may end here."""
        return place.begun and not place.part and place.state in self.network.finals

    def goes_on(self, place: Place) -> bool:
        """Return whether a word may follow here, with another one before it."""
        return place.begun and not place.part and bool(self.network.arcs[place.state])

    def onward(self, place: Place) -> dict[int, tuple[Onward, ...]]:
        """Return the places that each possible next token leads to."""
        found = self._onward.get(place)
        if found is None:
            found = self._onward[place] = self._worked_out(place)
        return found

    def _worked_out(self, place: Place) -> dict[int, tuple[Onward, ...]]:
        ways: dict[int, dict[Onward, None]] = {}
        length = len(place.part)
        for word, to in self.network.arcs[place.state]:
            for tokens in self._spelled(word, first=not place.begun):
                if tokens[:length] != place.part or len(tokens) == length:
                    continue
                if len(tokens) == length + 1:
                    on = Onward(Place(to, begun=True), word)
                else:
                    on = Onward(Place(place.state, tokens[: length + 1], place.begun), None)
                ways.setdefault(tokens[length], {})[on] = None
        return {token: tuple(ons) for token, ons in ways.items()}

    def _spelled(self, word: str, *, first: bool) -> tuple[tuple[int, ...], ...]:
        key = word, first
        if key not in self._spellings:
            texts = [f" {word[0].upper()}{word[1:]}", f" {word}"] if first else [f" {word}"]
            self._spellings[key] = tuple(tuple(self._spell(text)) for text in dict.fromkeys(texts))
        return self._spellings[key]
