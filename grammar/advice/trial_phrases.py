"""A few phrases of a protocol that a team says to try its set-up: with a drug, a time, a number, none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal

from grammar.language.numbers import language
from grammar.language.phrases import rules
from grammar.protocol.model import Call, Drug, Protocol, decimal
from grammar.protocol.templates import (
    Choice,
    Literal,
    Maybe,
    Node,
    Rule,
    Sequence,
    Slot,
    parse_template,
    slots_of,
)

_USUAL = Decimal(70)
"""Said where a call sets no bounds to its number: a number that has a twin, as it must be told apart."""


def trial_phrases(protocol: Protocol) -> list[str]:
    """Return one phrase of the first call without a slot, with a dose, a duration and a number each."""
    found: list[str] = []
    for kind in (None, "dose", "duration", "number"):
        for call in protocol.call:
            node = call.nodes[0]
            kinds = {slot.type for slot in slots_of(node)}
            if kind in kinds or (kind is None and not kinds):
                found.append(" ".join(Saying(protocol, call).words(node)))
                break
    return found


class Saying:
    """The plainest way to say a template: nothing that may be left out, but a unit."""

    def __init__(
        self,
        protocol: Protocol,
        call: Call,
        drug: Drug | None = None,
        numbers: Iterable[Decimal] = (),
    ) -> None:
        """`drug` is said where there is one to say, the first where it is None; `numbers` one after the
        other, then usual ones."""
        self._spoken = language(protocol.protocol.language)
        self._rules = rules(protocol)
        self._call = call
        self._drug: Drug | None = drug or (protocol.drug[0] if protocol.drug else None)
        self._chosen = drug is not None
        self._numbers = iter(numbers)

    def words(self, node: Node, name: str = "") -> Iterator[str]:
        """Yield the words that one way of saying a template takes; `name` is the slot that they fill."""
        match node:
            case Literal(word):
                yield word
            case Choice(options):
                yield from self.words(_surest(options), name)
            case Sequence(parts):
                for part in parts:
                    yield from self.words(part, name)
            case Maybe(Rule("unit")):
                yield self._unit()
            case Maybe():
                return
            case Slot(slot, "number"):
                yield from self._spoken.say(self._number(slot)).split()
            case Rule("number"):
                yield from self._spoken.say(next(self._numbers, _USUAL)).split()
            case Slot(_, "drug") | Rule("drug") if self._chosen and self._drug:
                yield from self.words(parse_template(self._drug.spoken[0]))
            case Slot(_, "unit") | Rule("unit"):
                yield self._unit()
            case Slot(_, kind) | Rule(kind):
                yield from self.words(self._rules[kind], kind)

    def _number(self, slot: str) -> Decimal:
        chosen = next(self._numbers, None)
        if chosen is not None:
            return chosen
        bounds = self._call.bounds.get(slot)
        if bounds is None:
            return _USUAL
        middle = int((decimal(bounds.low) + decimal(bounds.high)) / 2)
        # "Sixty five" rather than "sixty": one number with a twin among the phrases is enough.
        return Decimal(max(middle - middle % 10 + 5, int(bounds.low)))

    def _unit(self) -> str:
        wanted = self._drug.unit if self._drug else "mg"
        return max((word for word, unit in self._spoken.UNITS.items() if unit == wanted), key=len)


def _surest(options: tuple[Node, ...]) -> Node:
    """Return the longest of single words, since a long word is heard more surely; else the first."""
    words = [option for option in options if isinstance(option, Literal)]
    return max(words, key=lambda option: len(option.word)) if words == [*options] else options[0]
