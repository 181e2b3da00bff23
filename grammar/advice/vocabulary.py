"""Words of a protocol that a speech model does not know, and what to say instead."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from grammar.language.phrases import network, phrases
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Node, expansions, words_of


@dataclass(frozen=True, slots=True)
class Unknown:
    """A word that a model does not know; `of` is what is called so, `instead` another way to say it
    that the model knows, "" where the protocol has none."""

    word: str
    of: str
    instead: str

    def __str__(self) -> str:
        cure = f"say “{self.instead}”" if self.instead else "the protocol has no other word for it"
        return f"“{self.word}” ({self.of}) is not known to the model: {cure}"


def unknown_to_a_model(protocol: Protocol, unknown: frozenset[str]) -> list[Unknown]:
    """Return one entry for each unknown word and thing that it belongs to, in the protocol's order."""
    found = [each for name, nodes in _things(protocol) for each in _of(name, nodes, unknown)]
    placed = {each.word for each in found}
    other = sorted((unknown & network(protocol).words) - placed)
    return found + [Unknown(word, "numbers, units and prowords", "") for word in other]


def _things(protocol: Protocol) -> Iterator[tuple[str, tuple[Node, ...]]]:
    for station in protocol.station:
        yield f"station {station.id}", phrases(station.spoken)
    for drug in protocol.drug:
        yield f"drug {drug.id}", phrases(drug.spoken)
    for lst in protocol.list:
        for value in lst.values:
            yield f"{lst.id} {value.id}", phrases(value.spoken)
    for call in protocol.call:
        yield f"call {call.id}", (*call.nodes, *call.answer_nodes)
    for checklist in protocol.checklist:
        for item in checklist.items:
            yield f"item {item.id}", phrases(item.spoken)


def _of(name: str, nodes: Iterable[Node], unknown: frozenset[str]) -> Iterator[Unknown]:
    said = [node for node in nodes if unknown.intersection(words_of(node))]
    if not said:
        return
    ways = [" ".join(map(_word, way)) for node in nodes for way in expansions(node, {})]
    known = next((way for way in ways if not unknown.intersection(way.split())), "")
    for word in sorted({word for node in said for word in words_of(node)} & unknown):
        yield Unknown(word, name, known)


def _word(part: object) -> str:
    return part if isinstance(part, str) else "…"
