"""Finds phrases and names that sound nearly alike, by the phones that must change to turn one into
the other.

A slot counts as a few sounds of its type's own: "timer sixty" and "timer ten" are one phrase here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations, islice, product

from rapidfuzz.distance import Levenshtein

from grammar.language.phrases import phrases
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Node, Slot, expansions

Ways = Mapping[str, Sequence[Sequence[str]]]
"""Word -> its pronunciations, each a sequence of phones."""

ALIKE = 0.25
"""Share of the sounds of the longer phrase that may differ in phrases that sound alike. Chosen on the
shipped protocols: "on" and "off" after the same words are told, the commonest slip in trials of hearing
beside numbers; "tube size" and "tube depth" are not."""

SLOT_LENGTH = 3
"""Sounds that a slot counts as: most values are longer than a short word."""

MOST_FORMS = 400
"""Ways to say one call that are compared; more come only from piled-up alternatives."""

_Form = tuple[str, str]
"""(words with slots as {type}, sounds with one character a phone)."""


def alike_calls(protocol: Protocol, ways: Ways) -> Iterator[tuple[str, str, str, str]]:
    """Yield (call, phrase, other call, its phrase) for each pair of calls that sounds alike, in its
    nearest forms."""
    sounds = _Sounds(ways)
    forms = {call.id: sounds.of(call.nodes) for call in protocol.call}
    for one, other in combinations(forms, 2):
        found = _nearest(forms[one], forms[other])
        if found:
            yield one, found[0], other, found[1]


def alike_drugs(protocol: Protocol, ways: Ways) -> Iterator[tuple[str, str, str, str]]:
    """Yield (drug, name, other drug, its name) for each pair of drugs whose names sound alike."""
    sounds = _Sounds(ways)
    forms = {drug.id: sounds.of(phrases(drug.spoken)) for drug in protocol.drug}
    for one, other in combinations(forms, 2):
        found = _nearest(forms[one], forms[other])
        if found:
            yield one, found[0], other, found[1]


def _nearest(ours: Iterable[_Form], theirs: Sequence[_Form]) -> tuple[str, str] | None:
    """Return the words of the two forms that differ least, where that is little enough to sound
    alike."""
    best: tuple[float, str, str] | None = None
    for words, sound in ours:
        for others, other in theirs:
            if words == others:
                continue  # the same sentence: that is told elsewhere
            longer = max(len(sound), len(other))
            allowed = int(ALIKE * longer)
            distance = Levenshtein.distance(sound, other, score_cutoff=allowed)
            if distance <= allowed and (best is None or distance / longer < best[0]):
                best = (distance / longer, words, others)
    return (best[1], best[2]) if best else None


class _Sounds:
    """Templates as strings with one character for each phone, numbered as they come."""

    def __init__(self, ways: Ways) -> None:
        self._ways = ways
        self._letters: dict[str, str] = {}

    def of(self, nodes: Sequence[Node]) -> list[_Form]:
        """Return every way to say the templates in every pronunciation, as far as all words are
        known."""
        every = (form for node in nodes for form in expansions(node, {}))
        return list(islice((spoken for form in every for spoken in self._spoken(form)), MOST_FORMS))

    def _spoken(self, form: Sequence[str | Slot]) -> Iterator[_Form]:
        parts: list[Sequence[Sequence[str]]] = []
        for part in form:
            name = f"{{{part.type}}}" if isinstance(part, Slot) else ""
            parts.append(
                ((name,) * SLOT_LENGTH,) if isinstance(part, Slot) else self._ways.get(part, ())
            )
        words = " ".join(p if isinstance(p, str) else f"{{{p.type}}}" for p in form)
        for said in product(*parts):
            yield words, "".join(self._letter(sound) for way in said for sound in way)

    def _letter(self, sound: str) -> str:
        return self._letters.setdefault(sound, chr(0x100 + len(self._letters)))
