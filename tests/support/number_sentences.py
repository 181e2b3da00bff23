"""The sentences of a rule set, matched and sampled straight from its tree.

It shares nothing with the readers of numbers, so that the two can be compared.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from functools import cache

from grammar.protocol import templates as t


class Sentences:
    """The language of one rule."""

    def __init__(self, rules: Mapping[str, str], entry: str) -> None:
        self._rules = {name: t.parse_template(text) for name, text in rules.items()}
        self._entry = t.Rule(entry)
        self.vocabulary = sorted({w for node in self._rules.values() for w in t.words_of(node)})

    def accept(self, words: Sequence[str]) -> bool:
        """Whether the words are one sentence of the rule."""
        line = tuple(words)

        @cache
        def ends(node: t.Node, at: int) -> frozenset[int]:
            match node:
                case t.Literal(word):
                    return frozenset({at + 1} if at < len(line) and line[at] == word else ())
                case t.Rule(name):
                    return ends(self._rules[name], at)
                case t.Maybe(part):
                    return ends(part, at) | {at}
                case t.Choice(options):
                    return frozenset().union(*(ends(option, at) for option in options))
                case t.Sequence(parts):
                    here = frozenset({at})
                    for part in parts:
                        here = frozenset().union(*(ends(part, place) for place in here))
                    return here
                case t.Slot():
                    raise AssertionError("numbers have no slots")

        return len(line) in ends(self._entry, 0)

    def sample(self, rng: random.Random) -> tuple[str, ...]:
        """One sentence, every choice equally likely."""

        def say(node: t.Node) -> tuple[str, ...]:
            match node:
                case t.Literal(word):
                    return (word,)
                case t.Rule(name):
                    return say(self._rules[name])
                case t.Maybe(part):
                    return say(part) if rng.random() < 0.5 else ()
                case t.Choice(options):
                    return say(rng.choice(options))
                case t.Sequence(parts):
                    return tuple(word for part in parts for word in say(part))
                case t.Slot():
                    raise AssertionError("numbers have no slots")

        return say(self._entry)

    def near_miss(self, rng: random.Random) -> tuple[str, ...]:
        """A sentence with one word lost, doubled, replaced or let in: mostly no sentence."""
        words = list(self.sample(rng))
        at = rng.randrange(len(words))
        other = rng.choice(self.vocabulary)
        match rng.randrange(4):
            case 0:
                del words[at]
            case 1:
                words[at] = other
            case 2:
                words.insert(at, other)
            case _:
                words.append(words[at])
        return tuple(words)
