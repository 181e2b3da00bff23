"""The card that a member of the team reads aloud, so that their voice is known and the ears are tried.

Its sentences are reports of the protocol, never an order, a drug given or a call for help. Together they
hold every drug, and every number of the tens that has a twin (fifteen, fifty), as far as a call takes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import permutations

from grammar.advice.trial_phrases import Saying
from grammar.language.numbers import language
from grammar.language.parse import understanding_of
from grammar.protocol.model import Call, Protocol
from grammar.protocol.templates import slots_of

LEAST, MOST = 10, 14
"""Sentences: at least where the protocol has so many, and at most."""

_DRUG, _NUMBER, _CALL = 4, 3, 1
"""Worth of what no sentence before has said."""

Item = tuple[str, str]


def reading_card(protocol: Protocol) -> tuple[str, ...]:
    """Return the sentences, the most telling first; a protocol that only orders gives none."""
    open_ones = list(_candidates(protocol))
    said: set[Item] = set()
    card: list[str] = []
    while open_ones and len(card) < MOST:
        words, items = max(
            open_ones, key=lambda one: (_worth(one[1] - said), -len(one[0].split()), one[0])
        )
        new = items - said
        if not new or (len(card) >= LEAST and all(kind == "call" for kind, _ in new)):
            break
        card.append(words)
        said |= items
        open_ones = [one for one in open_ones if one[1] - said]
    return tuple(card)


def _worth(items: set[Item]) -> int:
    return sum({"drug": _DRUG, "number": _NUMBER}.get(kind, _CALL) for kind, _ in items)


def _candidates(protocol: Protocol) -> Iterator[tuple[str, set[Item]]]:
    """Yield sentences that the protocol takes, each with what it holds."""
    understanding = understanding_of(protocol)
    twins = twin_numbers(protocol)
    for call in protocol.call:
        if call.is_order or call.help or call.effect != "none":
            continue
        for node in call.nodes:
            kinds = [slot.type for slot in slots_of(node)]
            drugs = [*protocol.drug] if {"dose", "drug"} & {*kinds} else [None]
            count = sum(kind in ("number", "dose") for kind in kinds)
            for numbers in permutations(twins, count):
                for drug in drugs:
                    words = " ".join(Saying(protocol, call, drug, numbers).words(node))
                    meaning = understanding.read(words.split())
                    if meaning.kind != "call" or _out_of_bounds(call, meaning.readings[0].slots):
                        continue
                    items: set[Item] = {("call", call.id)}
                    items |= {("number", str(number)) for number in numbers}
                    if drug:
                        items.add(("drug", drug.id))
                    yield words, items


def twin_numbers(protocol: Protocol) -> tuple[Decimal, ...]:
    """Return the numbers below a hundred that are easily heard as another, by the language."""
    spoken = language(protocol.protocol.language)
    return tuple(
        Decimal(number) for number in range(100) if spoken.sounds_like(Decimal(number)) is not None
    )


def _out_of_bounds(call: Call, slots: object) -> bool:
    values = slots if isinstance(slots, dict) else {}
    return any(
        isinstance(value := values.get(name), Decimal)
        and not bounds.low <= float(value) <= bounds.high
        for name, bounds in call.bounds.items()
    )
