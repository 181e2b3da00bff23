"""A word network written as a JSpeech Grammar Format grammar (W3C Note, 5 June 2000).

JSGF has no states, so each network state becomes a rule of what may follow it. A state that only
one arc enters is written in place, which keeps the grammar readable and short; one that several
enter, shared, is a rule of its own, so that nothing is written twice.
"""

from __future__ import annotations

from collections import Counter

from grammar.network import Network

NAME = "answerback"
SENTENCE = "sentence"
"""The rule of one sentence of the network."""


def network_to_jsgf(network: Network, *, several: bool = True) -> str:
    """The grammar's text. Its public rule accepts one sentence, or with `several` one or more.

    Raises ValueError for a network that accepts nothing or the empty sentence, as JSGF tools treat
    those oddly.
    """
    if network.start in network.finals or not network.finals:
        raise ValueError("a grammar needs a sentence of at least one word")
    shared = _shared(network)
    rules = [f"<{_rule(state)}> = {_after(network, state, shared)};" for state in sorted(shared)]
    body = f"<{_rule(network.start)}>" + ("+" if several else "")
    return "\n".join(
        ["#JSGF V1.0 UTF-8;", f"grammar {NAME};", f"public <{SENTENCE}> = {body};", *rules, ""]
    )


def _rule(state: int) -> str:
    return f"s{state}"


def _shared(network: Network) -> frozenset[int]:
    """The states that get a rule: the start, and those that go on and that several arcs enter."""
    entered = Counter(to for row in network.arcs for _, to in row)
    several = (state for state, times in entered.items() if times > 1 and network.arcs[state])
    return frozenset([network.start, *several])


def _after(network: Network, state: int, shared: frozenset[int]) -> str:
    """What may be said from a state on, as a JSGF expansion. Alternatives that lead to the same
    shared state are grouped, so `(one | two) <s7>` rather than `one <s7> | two <s7>`."""
    grouped: dict[int, list[str]] = {}
    for word, to in network.arcs[state]:
        grouped.setdefault(to, []).append(word)
    choices = []
    for to, words in grouped.items():
        said = words[0] if len(words) == 1 else f"({' | '.join(words)})"
        rest = f"<{_rule(to)}>" if to in shared else _after(network, to, shared)
        if not network.arcs[to]:
            choices.append(said)
        elif to in network.finals:
            choices.append(f"{said} [{rest}]")
        elif to in shared or len(network.arcs[to]) == 1:
            choices.append(f"{said} {rest}")
        else:
            choices.append(f"{said} ({rest})")
    return " | ".join(choices)
