"""A protocol as one word network.

An utterance is a frame around a body:

    [courtesy] [<proword>] [<addressee>] [this is <sender>] [<proword>]
    BODY [copy] [courtesy] [over]

where the body is a phrase of a call, a short read-back of its slots, a checklist item, or a proword
alone ("copy", "say again", then perhaps a station). The network accepts exactly these sentences;
`parse.py` reads the same frame for their meaning.
"""

from __future__ import annotations

import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from grammar.language.numbers import language
from grammar.language.word_network import Network
from grammar.protocol.model import Protocol, Spoken
from grammar.protocol.prowords import BARE, LEADING
from grammar.protocol.templates import (
    Choice,
    Literal,
    Maybe,
    Node,
    Rule,
    Sequence,
    Slot,
    parse_template,
)

UNKNOWN = "[unk]"
"""The word that an engine gives for speech outside the grammar."""

DOSE = {"en": "<amount> [of] <drug>|<drug> <amount>", "ko": "<drug> <amount>"}
"""How a drug and an amount are put together, by language."""

PROWORD_TYPES = {"leading": LEADING, "bare": BARE, "acknowledge": ("acknowledge",)}
"""Slot types of the frame: which prowords may stand where."""


@lru_cache(8)
def rules(protocol: Protocol) -> Mapping[str, Node]:
    """Return every named part of a protocol: numbers, units, drugs, doses, durations and its own
    lists."""
    spoken = language(protocol.protocol.language)
    texts: dict[str, str] = {**spoken.RULES, **spoken.DURATION_RULES}
    texts["unit"] = "|".join(sorted(spoken.UNITS))
    texts["amount"] = "<number> [<unit>]"
    texts["dose"] = DOSE[protocol.protocol.language]
    found = {name: parse_template(text) for name, text in texts.items()}
    if protocol.drug:
        found["drug"] = _any_of(protocol.drug)
    for lst in protocol.list:
        found[lst.id] = _any_of(lst.values)
    found["station"] = _any_of(protocol.station)
    for kind, names in PROWORD_TYPES.items():
        said = protocol.proword_phrases
        found[kind] = Choice(tuple(parse_template(text) for name in names for text in said[name]))
    return MappingProxyType(found)


def frame(protocol: Protocol) -> tuple[Node, Node]:
    """Return the templates that may stand before and after a body; both may be empty."""
    said = protocol.proword_phrases
    courtesy = phrases(protocol.courtesy)
    polite: tuple[Node, ...] = (Maybe(Choice(courtesy)),) if courtesy else ()
    this_is = Sequence((Choice(phrases(said["this-is"])), Slot("from", "station")))
    proword = Maybe(Slot("proword", "leading"))
    before = Sequence((*polite, proword, Maybe(Slot("to", "station")), Maybe(this_is), proword))
    over = Maybe(Choice(phrases(said["over"])))
    after = Sequence((Maybe(Slot("proword", "acknowledge")), *polite, over))
    return before, after


@dataclass(frozen=True, slots=True)
class Body:
    """One way to fill the frame. `call` for a call's phrase and for its short read-back."""

    kind: typing.Literal["call", "answer", "item", "proword"]
    node: Node
    call: str | None = None
    checklist: str | None = None
    item: str | None = None


def bodies(protocol: Protocol) -> Iterator[Body]:
    """Yield every body: call phrases, short read-backs, checklist items, prowords alone."""
    for call in protocol.call:
        yield from (Body("call", node, call.id) for node in call.nodes)
        yield from (Body("answer", node, call.id) for node in call.answer_nodes)
    for checklist in protocol.checklist:
        for item in checklist.items:
            for node in phrases(item.spoken):
                yield Body("item", node, checklist=checklist.id, item=item.id)
    alone = Sequence((Slot("proword", "bare"), Maybe(Slot("to", "station"))))
    yield Body("proword", alone)


def phrases(texts: Iterable[str]) -> tuple[Node, ...]:
    """Parse templates of the phrase notation."""
    return tuple(parse_template(text) for text in texts)


def _any_of(things: Iterable[Spoken]) -> Node:
    return Choice(tuple(parse_template(text) for thing in things for text in thing.spoken))


@lru_cache(8)
def network(protocol: Protocol) -> Network:
    """Return the protocol's word network: deterministic, acyclic, minimal."""
    before, after = frame(protocol)
    whole = Sequence((before, Choice(tuple(body.node for body in bodies(protocol))), after))
    return minimal(_Compiler(rules(protocol)).network(whole))


def compile_network(node: Node, named: Mapping[str, Node]) -> Network:
    """Return the minimal network of one template, its rules taken from `named`."""
    return minimal(_Compiler(named).network(node))


class _Compiler:
    """Template -> nondeterministic automaton (Thompson) -> deterministic (subset construction)."""

    def __init__(self, named: Mapping[str, Node], made: dict[str, Network] | None = None) -> None:
        self._named = named
        self._made = {} if made is None else made
        self._empty: list[list[int]] = []
        self._words: list[list[tuple[str, int]]] = []
        self._closures: dict[int, frozenset[int]] = {}

    def network(self, node: Node) -> Network:
        start, end = self._state(), self._state()
        self._build(node, start, end)
        first = self._closure([start])
        numbers = {first: 0}
        rows: list[tuple[tuple[str, int], ...]] = []
        queue = [first]
        for here in queue:  # grows while it is read
            reached: dict[str, set[int]] = {}
            for state in here:
                for word, to in self._words[state]:
                    reached.setdefault(word, set()).add(to)
            row = []
            for word in sorted(reached):
                there = self._closure(reached[word])
                if there not in numbers:
                    numbers[there] = len(numbers)
                    queue.append(there)
                row.append((word, numbers[there]))
            rows.append(tuple(row))
        finals = frozenset(number for states, number in numbers.items() if end in states)
        return Network(tuple(rows), finals)

    def _state(self) -> int:
        self._empty.append([])
        self._words.append([])
        return len(self._empty) - 1

    def _build(self, node: Node, start: int, end: int) -> None:
        match node:
            case Literal(word):
                self._words[start].append((word, end))
            case Rule(name) | Slot(_, name):
                self._copy(self._rule(name), start, end)
            case Maybe(part):
                self._empty[start].append(end)
                self._build(part, start, end)
            case Choice(options):
                for option in options:
                    inner = self._state()
                    self._empty[start].append(inner)
                    self._build(option, inner, end)
            case Sequence(parts):
                here = start
                for part in parts[:-1]:
                    there = self._state()
                    self._build(part, here, there)
                    here = there
                if parts:
                    last = self._state()
                    self._build(parts[-1], here, last)
                    self._empty[last].append(end)
                else:
                    self._empty[start].append(end)

    def _rule(self, name: str) -> Network:
        """Return a rule's own minimal network, made once: numbers stand in dozens of places."""
        if name not in self._made:
            inner = _Compiler(self._named, self._made)
            self._made[name] = minimal(inner.network(self._named[name]))
        return self._made[name]

    def _copy(self, found: Network, start: int, end: int) -> None:
        states = [self._state() for _ in found.arcs]
        self._empty[start].append(states[found.start])
        for state, row in zip(states, found.arcs, strict=True):
            self._words[state] += [(word, states[to]) for word, to in row]
        for final in found.finals:
            self._empty[states[final]].append(end)

    def _closure(self, states: Iterable[int]) -> frozenset[int]:
        found: frozenset[int] = frozenset()
        for state in states:
            found |= self._closure_of(state)
        return found

    def _closure_of(self, state: int) -> frozenset[int]:
        if state not in self._closures:
            seen = {state}
            stack = [state]
            while stack:
                for to in self._empty[stack.pop()]:
                    if to not in seen:
                        seen.add(to)
                        stack.append(to)
            # States that only pass on carry nothing: dropping them keeps the subsets small.
            self._closures[state] = frozenset(
                s for s in seen if self._words[s] or s == 1 or not self._empty[s]
            )
        return self._closures[state]


def minimal(found: Network) -> Network:
    """Return the smallest network with the same sentences: states with the same future become one."""
    order = _children_first(found)
    merged: dict[int, int] = {}
    by_future: dict[tuple[bool, tuple[tuple[str, int], ...]], int] = {}
    for state in order:
        future = (
            state in found.finals,
            tuple((word, merged[to]) for word, to in found.arcs[state]),
        )
        merged[state] = by_future.setdefault(future, len(by_future))
    last = len(by_future) - 1  # the start is numbered last; turn the numbers round so that it is 0
    rows: list[tuple[tuple[str, int], ...]] = [()] * len(by_future)
    finals = set()
    for (final, arcs), number in by_future.items():
        rows[last - number] = tuple((word, last - to) for word, to in arcs)
        if final:
            finals.add(last - number)
    return Network(tuple(rows), frozenset(finals), last - merged[found.start])


def _children_first(found: Network) -> list[int]:
    order: list[int] = []
    seen = {found.start}
    stack: list[tuple[int, Iterator[tuple[str, int]]]] = [
        (found.start, iter(found.arcs[found.start]))
    ]
    while stack:
        state, arcs = stack[-1]
        for _, to in arcs:
            if to not in seen:
                seen.add(to)
                stack.append((to, iter(found.arcs[to])))
                break
        else:
            order.append(state)
            stack.pop()
    return order
