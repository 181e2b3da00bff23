"""Heard words -> meaning: exact where they fit a phrase, else the nearest phrase with a score.

Engines differ in how strictly they keep to the grammar (a published model gives words in any
order). So all words that they hear are read here, against the frame and bodies that the network is
made of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise

from grammar.language.matching import Caught, Matcher, Names
from grammar.language.meaning import Meaning, Reading, SlotValue
from grammar.language.nearest_phrase import Nearest
from grammar.language.numbers import language
from grammar.language.phrases import PROWORD_TYPES, UNKNOWN, Body, bodies, frame, phrases, rules
from grammar.language.words import Word
from grammar.protocol.model import Protocol, Spoken, decimal
from grammar.protocol.templates import (
    Choice,
    Literal,
    Maybe,
    Node,
    Rule,
    Slot,
    expansions,
    slots_of,
)
from grammar.protocol.templates import Sequence as Parts
from grammar.replacing import replaced

BREATH_S = 0.3
"""Words after a pause this long may be another voice answering, not the end of the call."""

MOST_WORDS = 60
"""Longer runs are not taken apart: nobody calls that much in a breath."""


KNOWN = 1 << 16
"""Sentences whose meaning is kept."""


@lru_cache(8)
def understanding_of(protocol: Protocol) -> Understanding:
    """Return one protocol, made ready for reading, once for all that read by it."""
    return Understanding(protocol)


class Understanding:
    """One protocol, made ready for reading. A meaning depends on the words alone."""

    def __init__(self, protocol: Protocol, known: int = KNOWN) -> None:
        """`known` is how many sentences' meanings are kept."""
        self.protocol = protocol
        self._language = language(protocol.protocol.language)
        self._rules = rules(protocol)
        self._bodies = tuple(bodies(protocol))
        self._names = _names(protocol)
        starting = _by_first_word(self._bodies, self._rules)
        self._matcher = Matcher(
            language=self._language,
            rules=self._rules,
            names=self._names,
            frame=frame(protocol),
            starting=starting,
        )
        self._known = lru_cache(known)(self._read)
        self.nearest = Nearest(
            protocol=protocol,
            spoken=self._language,
            names=self._names,
            bodies=self._bodies,
            rules=self._rules,
        )

    def read(self, words: Sequence[str]) -> Meaning:
        """Return the meaning of one utterance. A sentence that comes again is not read again."""
        return self._known(tuple(words))

    def _read(self, words: tuple[str, ...]) -> Meaning:
        spoken = [word for word in words if word != UNKNOWN]
        if not spoken:
            return Meaning("unrecognised", score=0.0)
        exact = self._exact(spoken)
        if exact is not None:
            # A call with speech around it that nobody understood is still that call, less surely.
            return exact if len(spoken) == len(words) else replaced(exact, score=0.9)
        return self._with_doubts(self.nearest.read(spoken))

    def for_help(self, meaning: Meaning) -> bool:
        """Return whether a meaning may be a call for help."""
        calls = self.protocol.calls
        return any(each.call in calls and calls[each.call].help for each in meaning.readings)

    def utterances(self, words: Sequence[Word]) -> list[list[Word]]:
        """Return the words of a speech segment cut into utterances: as few as can all be read
        exactly."""
        found: list[list[Word]] = []
        run: list[Word] = []
        for word in words:
            if word.text == UNKNOWN:
                if run:
                    found += self._cut(run)
                    run = []
                if found and found[-1][-1].text == UNKNOWN:
                    found[-1].append(word)
                else:
                    found.append([word])
            else:
                run.append(word)
        return found + (self._cut(run) if run else [])

    def _cut(self, run: list[Word]) -> list[list[Word]]:
        texts = [word.text for word in run]
        if len(run) > MOST_WORDS:
            return [run]
        if self._exact(texts) is not None:
            return self._answered_at_once(run)
        # best[i]: (pieces, -seconds of pause at the cuts, cuts) for the first i words
        best: list[tuple[int, float, tuple[int, ...]] | None] = [(0, 0.0, ())]
        for end in range(1, len(run) + 1):
            options = []
            for start in range(end):
                before = best[start]
                if before is None or self._exact(texts[start:end]) is None:
                    continue
                pause = run[start].start - run[start - 1].end if start else 0.0
                options.append((before[0] + 1, before[1] - pause, (*before[2], start)))
            best.append(min(options) if options else None)
        chosen = best[-1]
        if chosen is None:
            return [run]
        edges = [*chosen[2], len(run)]
        return [cut for a, b in pairwise(edges) for cut in self._answered_at_once(run[a:b])]

    def _answered_at_once(self, run: list[Word]) -> list[list[Word]]:
        for at in range(len(run) - 1, 0, -1):
            if run[at].start - run[at - 1].end < BREATH_S:
                continue
            tail = self._exact([word.text for word in run[at:]])
            if tail is not None and _stands_alone(tail):
                head = run[:at]
                before = self._exact([word.text for word in head])
                # A lone "copy" begins what the same voice reads back: nobody answers that.
                if before is not None and before.kind != "proword":
                    return [*self._answered_at_once(head), run[at:]]
        return [run]

    # ------------------------------------------------------------------ exact

    def _exact(self, words: Sequence[str]) -> Meaning | None:
        found = self._matcher.ways(words)
        for kind in ("call", "item", "answer", "proword"):
            of_kind = [pair for pair in found if pair[0].kind == kind]
            if of_kind:
                return self._meaning(of_kind)
        return None

    def _meaning(self, found: list[tuple[Body, Caught]]) -> Meaning:
        body, caught = max(found, key=lambda pair: (len(pair[1].slots), pair[1].to is not None))
        readings: dict[str, Reading] = {}
        for other, filled in found:
            if other.call and (body.kind == "answer" or other.call == body.call):
                reading = self._reading(other.call, filled)
                kept = readings.get(other.call)
                if kept is None or len(kept.slots) < len(reading.slots):
                    readings[other.call] = reading
        if body.kind == "call" and body.call:
            readings = {body.call: self._reading(body.call, caught)}
        unsaid = [number for number in caught.numbers if not number.by_digits]
        twins = (self._language.sounds_like(number.value) for number in unsaid)
        meaning = Meaning(
            kind=body.kind,
            readings=tuple(readings.values()),
            prowords=caught.prowords,
            to=caught.to,
            sender=caught.sender,
            checklist=body.checklist,
            item=body.item,
            sounds_like=tuple(twin for twin in twins if twin is not None),
        )
        doubts = ("number-conflict",) if caught.conflict else ()
        return self._with_doubts(meaning, *doubts)

    def _reading(self, call: str, caught: Caught) -> Reading:
        slots = self._complete(caught)
        said = {name for name, _ in caught.slots}
        return Reading(call, slots, unit_said="unit" not in slots or "unit" in said)

    def _complete(self, caught: Caught) -> Mapping[str, SlotValue]:
        """Return the slots, with the drug's own unit where none was said."""
        slots: dict[str, SlotValue] = dict(caught.slots)
        drug = self.protocol.drugs.get(str(slots.get("drug", "")))
        if drug and "amount" in slots and "unit" not in slots:
            slots["unit"] = drug.unit
        order = ("drug", "amount", "unit")
        first = {name: slots[name] for name in order if name in slots}
        return {**first, **{name: value for name, value in slots.items() if name not in first}}

    def _with_doubts(self, meaning: Meaning, *doubts: str) -> Meaning:
        reading = meaning.reading
        found = list(doubts)
        if reading and meaning.kind == "call":
            for name, bounds in self.protocol.calls[reading.call].bounds.items():
                value = reading.slots.get(name)
                if isinstance(value, Decimal) and not (
                    decimal(bounds.low) <= value <= decimal(bounds.high)
                ):
                    found.append("out-of-bounds")
        return replaced(meaning, doubts=(*meaning.doubts, *found)) if found else meaning


def _by_first_word(
    found: Sequence[Body], named: Mapping[str, Node]
) -> Mapping[str, tuple[Body, ...]]:
    """Return the bodies that may begin with each word: most are out of the question at once."""
    known: dict[str, tuple[frozenset[str], bool]] = {}

    def first(node: Node) -> tuple[frozenset[str], bool]:
        """Return the words that a template may begin with, and whether it may be empty."""
        match node:
            case Literal(word):
                return frozenset({word}), False
            case Rule(name) | Slot(_, name):
                if name not in known:
                    known[name] = first(named[name])
                return known[name]
            case Maybe(part):
                return first(part)[0], True
            case Choice(options):
                firsts = [first(option) for option in options]
                return frozenset().union(*(w for w, _ in firsts)), any(e for _, e in firsts)
            case Parts(parts):
                begun: frozenset[str] = frozenset()
                for part in parts:
                    own, empty = first(part)
                    begun |= own
                    if not empty:
                        return begun, False
                return begun, True

    table: dict[str, list[Body]] = {}
    for body in found:
        for word in first(body.node)[0]:
            table.setdefault(word, []).append(body)
    return {word: tuple(starting) for word, starting in table.items()}


def _stands_alone(tail: Meaning) -> bool:
    """Return whether words after a breath are an utterance of their own and not the digits of a
    number."""
    reading = tail.reading
    return tail.kind in ("proword", "item", "call") or bool(
        reading and {"drug", "amount"} <= set(reading.slots)
    )


def _names(protocol: Protocol) -> Names:
    tables: dict[str, list[tuple[tuple[str, ...], str]]] = {
        "drug": _forms(protocol.drug),
        "station": _forms(protocol.station),
        **{lst.id: _forms(lst.values) for lst in protocol.list},
    }
    for kind, prowords in PROWORD_TYPES.items():
        tables[kind] = [
            (_words(form), name)
            for name in prowords
            for node in phrases(protocol.proword_phrases[name])
            for form in expansions(node, {})
        ]
    found: dict[str, dict[str, tuple[tuple[tuple[str, ...], str], ...]]] = {}
    for kind, forms in tables.items():
        by_first: dict[str, tuple[tuple[tuple[str, ...], str], ...]] = {}
        for form, value in sorted(forms, key=lambda pair: -len(pair[0])):
            by_first[form[0]] = (*by_first.get(form[0], ()), (form, value))
        found[kind] = by_first
    return found


def _forms(things: Sequence[Spoken]) -> list[tuple[tuple[str, ...], str]]:
    return [
        (_words(form), thing.id)
        for thing in things
        for node in phrases(thing.spoken)
        for form in expansions(node, {})
        if not any(slots_of(node))
    ]


def _words(form: Sequence[str | Slot]) -> tuple[str, ...]:
    return tuple(str(word) for word in form)
