"""A word network as the phrase list that vosk takes for a published model.

vosk turns the list into a bigram language model. So the list need not hold every sentence: it holds
sentences that between them show every pair of neighbouring words, first and last words included.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from itertools import pairwise

from grammar.language.word_network import Network

_Arc = tuple[int, str, int]
"""State, word, next state."""

_BEGIN, _END = "<s>", "</s>"


def phrase_list(network: Network, leave_out: AbstractSet[str] = frozenset()) -> list[str]:
    """Return sentences of the network that cover each of its word pairs, in a fixed order.

    Words of `leave_out`, those a model does not know, are dropped from the sentences: what remains
    is still worth hearing, and the parser finds the nearest call.
    """
    before, after = _ways_in(network), _ways_out(network)
    seen: set[tuple[str, str]] = set()
    found: dict[str, None] = {}
    for path in _pairs(network):
        first, last = path[0][0], path[-1][2]
        if first not in before or last not in after:
            continue
        words = [word for _, word, _ in path]
        sentence = [*before[first], *words, *after[last]]
        pairs = set(pairwise([_BEGIN, *sentence, _END]))
        if pairs <= seen:
            continue
        seen |= pairs
        found.setdefault(" ".join(word for word in sentence if word not in leave_out))
    found.pop("", None)
    return list(found)


def _pairs(network: Network) -> Iterator[tuple[_Arc, ...]]:
    """Yield every arc alone, which covers first and last words, and every pair of following arcs."""
    for state, row in enumerate(network.arcs):
        for word, middle in row:
            yield ((state, word, middle),)
            for following, to in network.arcs[middle]:
                yield (state, word, middle), (middle, following, to)


def _ways_in(network: Network) -> dict[int, tuple[str, ...]]:
    """Return the fewest words from the start to each state."""
    ways: dict[int, tuple[str, ...]] = {network.start: ()}
    waiting = deque([network.start])
    while waiting:
        state = waiting.popleft()
        for word, to in network.arcs[state]:
            if to not in ways:
                ways[to] = (*ways[state], word)
                waiting.append(to)
    return ways


def _ways_out(network: Network) -> dict[int, tuple[str, ...]]:
    """Return the fewest words from each state to the end of a sentence."""
    into: dict[int, list[tuple[int, str]]] = {}
    for state, row in enumerate(network.arcs):
        for word, to in row:
            into.setdefault(to, []).append((state, word))
    ways: dict[int, tuple[str, ...]] = dict.fromkeys(sorted(network.finals), ())
    waiting = deque(ways)
    while waiting:
        state = waiting.popleft()
        for source, word in into.get(state, ()):
            if source not in ways:
                ways[source] = (word, *ways[state])
                waiting.append(source)
    return ways
