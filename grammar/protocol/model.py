"""A protocol, read from a TOML file: what a team may say, and what each call expects.

The models here and in `tables.py` are the whole format. `loading.load_protocol` reads one by name
(shipped) or by path (a team's own); every error names the table, the field and the cure, so that a
clinician can mend a file unaided.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import cached_property

from pydantic import Field, field_validator, model_validator

from grammar.protocol.prowords import LANGUAGES
from grammar.protocol.rule_tables import Objective, SequenceRule, Span
from grammar.protocol.tables import (
    BUILT_IN_TYPES,
    Bounds,
    Call,
    Checklist,
    Concentration,
    DoseRange,
    Drug,
    Head,
    Planned,
    Spoken,
    Station,
    Table,
    Task,
    ValueList,
    Vital,
    checked_phrases,
    filled_by,
)
from grammar.protocol.templates import Node, Rule, required_slots, slots_of, walk

__all__ = [
    "Bounds",
    "Call",
    "Checklist",
    "Concentration",
    "DoseRange",
    "Drug",
    "Head",
    "Objective",
    "Planned",
    "Protocol",
    "SequenceRule",
    "Span",
    "Spoken",
    "Station",
    "Task",
    "ValueList",
    "Vital",
    "decimal",
    "filled_by",
    "required",
]


class Protocol(Table):
    """A whole protocol file."""

    protocol: Head
    station: tuple[Station, ...] = Field(min_length=1)
    call: tuple[Call, ...] = Field(min_length=1)
    drug: tuple[Drug, ...] = ()
    list: tuple[ValueList, ...] = ()
    checklist: tuple[Checklist, ...] = ()
    rule: tuple[SequenceRule, ...] = ()
    span: tuple[Span, ...] = ()
    objective: tuple[Objective, ...] = ()
    courtesy: tuple[str, ...] = ()
    """Words that may stand before or after a call and mean nothing: "please", "everyone"."""
    prowords: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    pronunciations: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    """Word -> one or more pronunciations in CMU phones, for words the dictionary lacks."""

    def __hash__(self) -> int:
        """By its id: a protocol is made ready once for all that use it (`functools.lru_cache`)."""
        return hash(self.protocol.id)

    @field_validator("courtesy")
    @classmethod
    def _courtesy(cls, phrases: tuple[str, ...]) -> tuple[str, ...]:
        return checked_phrases(phrases)

    @field_validator("pronunciations", mode="before")
    @classmethod
    def _one_or_more(cls, table: object) -> object:
        if not isinstance(table, dict):
            return table
        return {word: (said,) if isinstance(said, str) else said for word, said in table.items()}

    @field_validator("prowords")
    @classmethod
    def _known_prowords(cls, table: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        for name, phrases in table.items():
            if name not in LANGUAGES["en"]:
                raise ValueError(f'no proword is called "{name}": use {", ".join(LANGUAGES["en"])}')
            checked_phrases(phrases)
        return table

    @model_validator(mode="after")
    def _joined_up(self) -> Protocol:
        _unique("station", [s.id for s in self.station])
        _unique("drug", [d.id for d in self.drug])
        _unique("list", [v.id for v in self.list])
        _unique("call", [c.id for c in self.call])
        _unique("checklist", [c.id for c in self.checklist])
        _unique("rule", [r.id for r in self.rule])
        for lst in self.list:
            _unique("list", [v.id for v in lst.values], f"values of {lst.id}")
        for checklist in self.checklist:
            _unique("checklist", [i.id for i in checklist.items], f"items of {checklist.id}")
        for call in self.call:
            self._check_call(call)
        _unique("span", [s.id for s in self.span])
        for rule in self.rule:
            for event in (*rule.first, *rule.then):
                self._check_event(f'rule "{rule.id}"', event)
        for span in self.span:
            for event in (*span.first, *span.then):
                self._check_event(f'span "{span.id}"', event)
        _unique("objective", [o.id for o in self.objective])
        for objective in self.objective:
            self._check_objective(objective)
        return self

    def _check_objective(self, objective: Objective) -> None:
        known = {"call": {c.id for c in self.call}, "rule": {r.id for r in self.rule}}
        for table, names in (("call", objective.calls), ("rule", objective.rules)):
            for name in names:
                if name not in known[table]:
                    raise ValueError(
                        f'objective "{objective.id}" names "{name}", which is no [[{table}]]'
                    )

    def _check_call(self, call: Call) -> None:
        types = {*BUILT_IN_TYPES, *(v.id for v in self.list)}
        for node in (*call.nodes, *call.answer_nodes):
            named = next((part.name for part in walk(node) if isinstance(part, Rule)), None)
            if named:
                raise ValueError(
                    f'call "{call.id}" names the rule <{named}>, whose value would be lost: '
                    "write a slot, such as {name:number}"
                )
            for slot in slots_of(node):
                if slot.type not in types:
                    raise ValueError(
                        f'call "{call.id}" uses the slot type "{slot.type}", which is neither '
                        f"built in ({', '.join(BUILT_IN_TYPES)}) nor a [[list]]: add the list"
                    )
                if slot.type in ("drug", "dose") and not self.drug:
                    raise ValueError(f'call "{call.id}" has a drug slot: add a [[drug]] table')
        if call.completes and call.completes not in {c.id for c in self.checklist}:
            raise ValueError(
                f'call "{call.id}" completes "{call.completes}", which is no [[checklist]]'
            )
        for done in call.task.done_by if call.task else ():
            if done not in {c.id for c in self.call}:
                raise ValueError(f'call "{call.id}" is done by "{done}", which is no [[call]]')

    def _check_event(self, where: str, event: str) -> None:
        call_id, _, value = event.partition(":")
        call = next((c for c in self.call if c.id == call_id), None)
        if call is None:
            raise ValueError(f'{where} names "{call_id}", which is no [[call]]')
        if value and value not in self._values_of(call):
            raise ValueError(
                f'{where} waits for "{event}", which can never be said: '
                f"{call_id} takes {', '.join(sorted(self._values_of(call))) or 'no value'}"
            )

    def _values_of(self, call: Call) -> set[str]:
        values: set[str] = set()
        for kind in call.slots.values():
            if kind in ("drug", "dose"):
                values |= {d.id for d in self.drug} | {d.group for d in self.drug if d.group}
            values |= {v.id for lst in self.list if lst.id == kind for v in lst.values}
        return values

    @cached_property
    def calls(self) -> dict[str, Call]:
        """Return the calls by their ids."""
        return {call.id: call for call in self.call}

    @cached_property
    def drugs(self) -> dict[str, Drug]:
        """Return the drugs of the sheet by their ids."""
        return {drug.id: drug for drug in self.drug}

    @cached_property
    def stations(self) -> dict[str, Station]:
        """Return the stations by their ids."""
        return {station.id: station for station in self.station}

    @cached_property
    def lists(self) -> dict[str, ValueList]:
        """Return the lists of named values by their ids."""
        return {lst.id: lst for lst in self.list}

    @cached_property
    def proword_phrases(self) -> dict[str, tuple[str, ...]]:
        """Proword -> its spoken forms: the language's own, or the protocol's where it gives any."""
        return {**LANGUAGES[self.protocol.language], **self.prowords}

    @cached_property
    def watched(self) -> frozenset[str]:
        """The events that its rules and spans wait for."""
        rules = {name for rule in self.rule for name in (*rule.first, *rule.then)}
        return frozenset(rules | {name for span in self.span for name in (*span.first, *span.then)})

    @cached_property
    def vitals(self) -> dict[str, Vital]:
        """Vital sign id -> what its first call says of it."""
        found: dict[str, Vital] = {}
        for call in self.call:
            if call.vital:
                found.setdefault(call.vital.id, call.vital)
        return found

    @cached_property
    def longest_window_s(self) -> float:
        """Seconds that a call of any kind may wait at most."""
        return max((self.window(call.id) for call in self.call), default=0.0)

    @cached_property
    def reporting(self) -> frozenset[str]:
        """The calls that report a task done."""
        return frozenset(done for call in self.call if call.task for done in call.task.done_by)

    def window(self, call_id: str) -> float:
        """Return seconds that a call of this kind may wait."""
        own = self.calls[call_id].window_s if call_id in self.calls else None
        return own if own is not None else self.protocol.window_s

    def spoken_things(self) -> Iterator[Spoken]:
        """Yield everything with an id and spoken forms."""
        yield from self.station
        yield from self.drug
        for lst in self.list:
            yield from lst.values
        for checklist in self.checklist:
            yield from checklist.items


def required(node: Node) -> frozenset[str]:
    """Return the slot names, as stored, that every way of saying a phrase fills."""
    by_name = {slot.name: slot for slot in slots_of(node)}
    return frozenset(name for key in required_slots(node) for name in filled_by(by_name[key])) - {
        "unit"
    }


def decimal(value: float) -> Decimal:
    """Return a protocol's number exactly as written (0.1 stays 0.1)."""
    return Decimal(str(value))


def _unique(table: str, ids: list[str], what: str = "tables") -> None:
    for found in ids:
        if ids.count(found) > 1:
            raise ValueError(f'two [[{table}]] {what} have the id "{found}": rename one')
