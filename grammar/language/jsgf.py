"""A protocol as a grammar in the JSpeech Grammar Format (W3C Note, 5 June 2000).

The grammar is written from the same templates as the word network and accepts the same sentences,
but keeps the protocol's structure: `<number>`, `<dose>` and the like are rules of their own. It is
for tools that read JSGF, and for people. pocketsphinx's parser reads it too; but it copies a rule
wherever one is mentioned, which makes 70,000 states of the shipped protocol, so our own engine
takes the network (see `listener/recognition/sphinx_recogniser.py`).
"""

from __future__ import annotations

from collections.abc import Mapping

from grammar.language.phrases import bodies, frame, rules
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Choice, Literal, Maybe, Node, Rule, Sequence, Slot

SENTENCE = "sentence"
"""The public rule: one sentence of the protocol."""

_BODY = "body"


def jsgf(protocol: Protocol) -> str:
    """Return the grammar's text; its public rule is `<sentence>`."""
    before, after = frame(protocol)
    named: dict[str, Node] = {
        _BODY: Choice(tuple(body.node for body in bodies(protocol))),
        **rules(protocol),
    }
    return grammar_text(
        protocol.protocol.id.replace("-", "_"),
        Sequence((before, Rule(_BODY), after)),
        named,
    )


def grammar_text(name: str, sentence: Node, named: Mapping[str, Node]) -> str:
    """Return a JSGF grammar whose public rule is the template `sentence`, with rules for `named`.

    Rules come in the order of `named`, those that `sentence` does not need included.
    """
    lines = [
        "#JSGF V1.0 UTF-8;",
        f"grammar {name};",
        f"public <{SENTENCE}> = {_expansion(sentence)};",
        *(f"<{rule}> = {_expansion(node)};" for rule, node in named.items()),
    ]
    return "\n".join(lines) + "\n"


def _expansion(node: Node) -> str:
    """Return a template in JSGF's notation, which it resembles."""
    match node:
        case Literal(word):
            return word
        case Rule(name):
            return f"<{name}>"
        case Slot(_, type_):
            return f"<{type_}>"
        case Sequence(parts):
            return " ".join(_expansion(part) for part in parts)
        case Choice(options):
            return f"({' | '.join(_expansion(option) for option in options)})"
        case Maybe(part):
            return f"[{_expansion(part)}]"
