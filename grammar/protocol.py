"""A protocol: what a team may say, and what each call expects. Read from a TOML file.

The models below are the whole format. `load` reads one by name (shipped) or by path (a team's own);
every error names the table, the field and the cure, so that a clinician can mend a file unaided.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import cached_property
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from grammar.prowords import LANGUAGES
from grammar.templates import (
    Node,
    Rule,
    Slot,
    TemplateError,
    parse_template,
    required_slots,
    slots_of,
    walk,
)

Identifier = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]
Seconds = Annotated[float, Field(gt=0, le=86_400)]
Unit = Literal["mg", "microgram", "g", "mL", "unit", "J"]

BUILT_IN_TYPES = ("drug", "amount", "dose", "duration", "number")
"""Slot types every protocol has; any other type is the id of one of its lists."""

FILLS = {"dose": ("drug", "amount", "unit"), "amount": ("amount", "unit"), "drug": ("drug",)}
"""Slots that a type fills under their own names, whatever the slot is called."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def _checked_phrases(phrases: tuple[str, ...]) -> tuple[str, ...]:
    for phrase in phrases:
        try:
            parse_template(phrase)
        except TemplateError as error:
            raise ValueError(str(error)) from error
    return phrases


class Head(_Table):
    """The `[protocol]` table: what this is, and values that hold for every call."""

    id: Identifier
    title: str
    language: Literal["en", "ko"] = "en"
    about: str = ""
    window_s: Seconds = 12.0
    """How long a call may wait for its answer, seconds from its last word."""
    late_s: Seconds = 60.0
    """How long after its window a call can still be answered late."""
    stand_by_s: Seconds = 60.0
    """How long "stand by" may hold a call before that is a finding."""
    unsure_below: float = Field(default=0.5, ge=0, le=1)
    """Utterances heard with less confidence are shown apart and count for nothing yet."""


class Spoken(_Table):
    """Something with an id and the ways to say it."""

    id: Identifier
    spoken: tuple[str, ...] = Field(min_length=1)
    title: str = ""

    _phrases = field_validator("spoken")(_checked_phrases)

    @field_validator("spoken")
    @classmethod
    def _words_alone(cls, phrases: tuple[str, ...]) -> tuple[str, ...]:
        for phrase in phrases:
            for part in walk(parse_template(phrase)):
                if isinstance(part, Slot | Rule):
                    raise ValueError(f'"{phrase}" names a slot or a rule: write words alone here')
        return phrases


class Station(Spoken):
    """A place or role that speaks."""

    channel: int | None = Field(default=None, ge=1, le=32)
    """Input channel that belongs to this station alone, from 1."""


class Concentration(_Table):
    """As drawn up: `amount` of `unit` in every mL."""

    amount: float = Field(gt=0)
    unit: Unit


class DoseRange(_Table):
    """What the team's sheet allows. answerback compares; it never suggests."""

    low: float = Field(ge=0)
    high: float = Field(gt=0)
    unit: Unit
    per_kg: bool = True
    source: str = ""

    @model_validator(mode="after")
    def _ordered(self) -> DoseRange:
        if self.low > self.high:
            raise ValueError("low is above high: swap them")
        return self


class Drug(Spoken):
    """A drug on the sheet."""

    unit: Unit
    """The unit meant when none is said."""
    concentration: Concentration | None = None
    range: DoseRange | None = None
    group: Identifier | None = None
    """For sequence rules, such as `induction` or `muscle-relaxant`."""
    minimum_interval_s: Seconds | None = None
    """A second dose sooner than this is a finding."""


class ValueList(_Table):
    """A slot type of the protocol's own: a closed list of things that can be said."""

    id: Identifier
    values: tuple[Spoken, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _not_built_in(self) -> ValueList:
        if self.id in BUILT_IN_TYPES:
            raise ValueError(f'"{self.id}" is a built-in slot type: give the list another id')
        return self


class Task(_Table):
    """What an order asks for: a later call that reports it done."""

    done_by: tuple[Identifier, ...] = Field(min_length=1)
    limit_s: Seconds
    same: tuple[str, ...] = ()
    """Slots that the report, where it says them, must share with the order to be its report."""


class Vital(_Table):
    """The call reports a vital sign."""

    id: Identifier
    unit: str
    title: str


class Bounds(_Table):
    """Values outside are possible to say, and are marked unsure when heard."""

    low: float
    high: float

    @model_validator(mode="after")
    def _ordered(self) -> Bounds:
        if self.low > self.high:
            raise ValueError("low is above high: swap them")
        return self


Readback = Literal["full", "key", "acknowledge", "none"]
Effect = Literal["none", "order", "given", "start-timer", "timer-complete"]


class Call(_Table):
    """One thing the team may call out."""

    id: Identifier
    title: str
    phrases: tuple[str, ...] = Field(min_length=1)
    answers: tuple[str, ...] = ()
    """Short read-backs: the slots alone."""
    readback: Readback = "acknowledge"
    """What closes it. `full`: every slot repeated. `key`: the deciding slots. `acknowledge`: a bare
    "copy" will do. `none`: a call-out that informs and needs no answer."""
    deciding: tuple[str, ...] = ()
    window_s: Seconds | None = None
    confirm: bool = False
    """Keep the loop `answered` until the caller confirms the read-back."""
    effect: Effect = "none"
    task: Task | None = None
    vital: Vital | None = None
    bounds: dict[str, Bounds] = {}
    completes: Identifier | None = None
    """The checklist that this call declares complete."""

    _phrases = field_validator("phrases", "answers")(_checked_phrases)

    @cached_property
    def nodes(self) -> tuple[Node, ...]:
        return tuple(parse_template(phrase) for phrase in self.phrases)

    @cached_property
    def answer_nodes(self) -> tuple[Node, ...]:
        return tuple(parse_template(phrase) for phrase in self.answers)

    @cached_property
    def slots(self) -> dict[str, str]:
        """Slot name -> type, over all phrases; composite types under the names they fill."""
        return {
            name: slot.type
            for node in (*self.nodes, *self.answer_nodes)
            for slot in slots_of(node)
            for name in filled_by(slot)
        }

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Call:
        known = set(self.slots)
        same = self.task.same if self.task else ()
        for field, names in (
            ("deciding", self.deciding),
            ("bounds", tuple(self.bounds)),
            ("task.same", same),
        ):
            for name in names:
                if name not in known:
                    raise ValueError(
                        f'{field} names the slot "{name}", which no phrase has: '
                        f"use one of {', '.join(sorted(known)) or 'no slot at all'}"
                    )
        if self.readback in ("full", "key") and not known:
            raise ValueError(
                f'readback = "{self.readback}" needs a slot to read back: '
                'add one to a phrase, or use "acknowledge"'
            )
        if self.readback == "key" and not self.deciding:
            raise ValueError('readback = "key" needs deciding = [slots that must be repeated]')
        return self


class ChecklistItem(Spoken):
    """One line of a checklist, answered by voice."""


class Checklist(_Table):
    """A list run aloud, item by item."""

    id: Identifier
    title: str
    items: tuple[ChecklistItem, ...] = Field(min_length=1)


class SequenceRule(_Table):
    """A rule on order and timing between events.

    `at-least`: from `first` to `then` at least `seconds`. `at-most`: `then` within `seconds` of `first`.
    `before`: no `then` without an earlier `first`. `after-count`: `then` within `seconds` once `first`
    has happened `count` times. An event is a call id, or `call-id:value` for one value of a slot or
    one drug group.
    """

    id: Identifier
    title: str
    kind: Literal["at-least", "at-most", "before", "after-count"]
    first: tuple[str, ...] = Field(min_length=1)
    then: tuple[str, ...] = Field(min_length=1)
    seconds: Seconds | None = None
    count: int = Field(default=1, ge=1)
    source: str = ""

    @field_validator("first", "then", mode="before")
    @classmethod
    def _one_or_many(cls, value: object) -> object:
        return (value,) if isinstance(value, str) else value

    @model_validator(mode="after")
    def _has_seconds(self) -> SequenceRule:
        if self.kind != "before" and self.seconds is None:
            raise ValueError(f'kind = "{self.kind}" needs seconds = a number')
        return self


class Protocol(_Table):
    """A whole protocol file."""

    protocol: Head
    station: tuple[Station, ...] = Field(min_length=1)
    call: tuple[Call, ...] = Field(min_length=1)
    drug: tuple[Drug, ...] = ()
    list: tuple[ValueList, ...] = ()
    checklist: tuple[Checklist, ...] = ()
    rule: tuple[SequenceRule, ...] = ()
    courtesy: tuple[str, ...] = ()
    """Words that may stand before or after a call and mean nothing: "please", "everyone"."""
    prowords: dict[str, tuple[str, ...]] = {}
    pronunciations: dict[str, tuple[str, ...]] = {}
    """Word -> one or more pronunciations in CMU phones, for words the dictionary lacks."""

    @field_validator("courtesy")
    @classmethod
    def _courtesy(cls, phrases: tuple[str, ...]) -> tuple[str, ...]:
        return _checked_phrases(phrases)

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
            _checked_phrases(phrases)
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
        for rule in self.rule:
            for event in (*rule.first, *rule.then):
                self._check_event(rule, event)
        return self

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

    def _check_event(self, rule: SequenceRule, event: str) -> None:
        call_id, _, value = event.partition(":")
        call = next((c for c in self.call if c.id == call_id), None)
        if call is None:
            raise ValueError(f'rule "{rule.id}" names "{call_id}", which is no [[call]]')
        if value and value not in self._values_of(call):
            raise ValueError(
                f'rule "{rule.id}" waits for "{event}", which can never be said: '
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
        return {call.id: call for call in self.call}

    @cached_property
    def drugs(self) -> dict[str, Drug]:
        return {drug.id: drug for drug in self.drug}

    @cached_property
    def stations(self) -> dict[str, Station]:
        return {station.id: station for station in self.station}

    @cached_property
    def lists(self) -> dict[str, ValueList]:
        return {lst.id: lst for lst in self.list}

    @cached_property
    def proword_phrases(self) -> dict[str, tuple[str, ...]]:
        """Proword -> its spoken forms: the language's own, or the protocol's where it gives any."""
        return {**LANGUAGES[self.protocol.language], **self.prowords}

    def window(self, call_id: str) -> float:
        """Seconds that a call of this kind may wait."""
        own = self.calls[call_id].window_s if call_id in self.calls else None
        return own if own is not None else self.protocol.window_s

    def spoken_things(self) -> Iterator[Spoken]:
        """Everything with an id and spoken forms."""
        yield from self.station
        yield from self.drug
        for lst in self.list:
            yield from lst.values
        for checklist in self.checklist:
            yield from checklist.items


def filled_by(slot: Slot) -> tuple[str, ...]:
    """Names under which a slot's value is stored."""
    if slot.type == "duration":
        return ("duration_s" if slot.name == "duration" else slot.name,)
    return FILLS.get(slot.type, (slot.name,))


def required(node: Node) -> frozenset[str]:
    """Slot names, as stored, that every way of saying a phrase fills."""
    by_name = {slot.name: slot for slot in slots_of(node)}
    return frozenset(name for key in required_slots(node) for name in filled_by(by_name[key])) - {
        "unit"
    }


def decimal(value: float) -> Decimal:
    """A protocol's number exactly as written (0.1 stays 0.1)."""
    return Decimal(str(value))


def _unique(table: str, ids: list[str], what: str = "tables") -> None:
    for found in ids:
        if ids.count(found) > 1:
            raise ValueError(f'two [[{table}]] {what} have the id "{found}": rename one')
