"""The phrase notation of a protocol, as a small tree.

    give|push {dose}          words, alternatives in (a|b), a slot in {braces}
    [of]                      may be left out
    {percent:number}          a slot called `percent` of the type `number`
    <number>                  a rule by its name

A template has no repetition and no recursion, so what can be said is finite and compiles to an
acyclic network.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_TOKEN = re.compile(r"[\[\]()|]|<[^<>\s]+>|\{[^{}\s]+\}|[^\s\[\]()|<>{}]+|\S")
_WORD = re.compile(r"[^\W\d_]+(?:['-][^\W\d_]+)*", re.UNICODE)
_NAME = re.compile(r"[a-z][a-z0-9_-]*")


class TemplateError(ValueError):
    """A phrase breaks the notation. The message says where and what to do."""


@dataclass(frozen=True, slots=True)
class Literal:
    """One word, spoken as written."""

    word: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A named part, looked up when the network is built."""

    name: str


@dataclass(frozen=True, slots=True)
class Slot:
    """A typed value. `type` is a built-in type or the id of a list."""

    name: str
    type: str


@dataclass(frozen=True, slots=True)
class Sequence:
    """Parts one after the other; none at all is the empty phrase."""

    parts: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the alternatives."""

    options: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Maybe:
    """A part that may be left out."""

    part: Node


Node = Literal | Rule | Slot | Sequence | Choice | Maybe


def parse_template(text: str) -> Node:
    """Return the tree of a template. Raises TemplateError naming the place in the phrase."""
    tokens = _TOKEN.findall(text)
    node, rest = _choice(tokens, 0, text)
    if rest < len(tokens):
        raise TemplateError(f'"{text}" has "{tokens[rest]}" without its opening partner')
    if _may_be_empty(node):
        raise TemplateError(f'"{text}" can be said without saying anything: give it a word')
    return node


def words_of(node: Node) -> Iterator[str]:
    """Yield every literal word of a template, in order, rules and slots left out."""
    for part in walk(node):
        if isinstance(part, Literal):
            yield part.word


def slots_of(node: Node) -> Iterator[Slot]:
    """Yield every slot of a template, in order."""
    for part in walk(node):
        if isinstance(part, Slot):
            yield part


def walk(node: Node) -> Iterator[Node]:
    """Yield the node and everything below it, in reading order."""
    yield node
    match node:
        case Sequence(parts) | Choice(parts):
            for part in parts:
                yield from walk(part)
        case Maybe(part):
            yield from walk(part)
        case _:
            return


def required_slots(node: Node) -> frozenset[str]:
    """Return names of the slots that every way of saying the template fills."""
    match node:
        case Slot(name, _):
            return frozenset({name})
        case Sequence(parts):
            return frozenset().union(*(required_slots(part) for part in parts))
        case Choice(options):
            return frozenset.intersection(*(required_slots(option) for option in options))
        case _:
            return frozenset()


def expansions(node: Node, rules: Mapping[str, Node]) -> Iterator[tuple[str | Slot, ...]]:
    """Yield every way to say a template, slots kept as slots. Meant for templates, not for numbers."""
    match node:
        case Literal(word):
            yield (word,)
        case Slot():
            yield (node,)
        case Rule(name):
            yield from expansions(rules[name], rules)
        case Maybe(part):
            yield ()
            yield from expansions(part, rules)
        case Choice(options):
            for option in options:
                yield from expansions(option, rules)
        case Sequence(parts):
            if not parts:
                yield ()
                return
            tails = tuple(expansions(Sequence(parts[1:]), rules))
            for head in expansions(parts[0], rules):
                for tail in tails:
                    yield head + tail


def _choice(tokens: list[str], at: int, text: str) -> tuple[Node, int]:
    options: list[Node] = []
    while True:
        parts, at = _sequence(tokens, at, text)
        options.append(parts[0] if len(parts) == 1 else Sequence(tuple(parts)))
        if at < len(tokens) and tokens[at] == "|":
            at += 1
            continue
        return (options[0] if len(options) == 1 else Choice(tuple(options))), at


def _sequence(tokens: list[str], at: int, text: str) -> tuple[list[Node], int]:
    parts: list[Node] = []
    while at < len(tokens) and tokens[at] not in ("|", ")", "]"):
        token = tokens[at]
        if token in ("(", "["):
            node, at = _choice(tokens, at + 1, text)
            closing = ")" if token == "(" else "]"
            if at >= len(tokens) or tokens[at] != closing:
                raise TemplateError(f'"{text}" opens a "{token}" that no "{closing}" closes')
            parts.append(Maybe(node) if token == "[" else node)
        else:
            parts.append(_leaf(token, text))
        at += 1
    return parts, at


def _leaf(token: str, text: str) -> Node:
    inner = token[1:-1]
    if token.startswith("{") and len(token) > 2:
        name, _, kind = inner.partition(":")
        if not _NAME.fullmatch(name) or (kind and not _NAME.fullmatch(kind)):
            raise TemplateError(
                f'"{text}" has a slot "{token}" that is not {{name}} or {{name:type}}'
            )
        return Slot(name, kind or name)
    if token.startswith("<") and len(token) > 2:
        return Rule(inner)
    if not _WORD.fullmatch(token):
        raise TemplateError(f'"{text}" has "{token}": write words in letters, numbers in full')
    return Literal(token.lower())


def _may_be_empty(node: Node) -> bool:
    match node:
        case Maybe():
            return True
        case Sequence(parts):
            return all(_may_be_empty(part) for part in parts)
        case Choice(options):
            return any(_may_be_empty(option) for option in options)
        case _:
            return False
