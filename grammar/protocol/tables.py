"""The tables of a protocol file, one model each. `model.py` puts them together."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from grammar.protocol.templates import (
    Node,
    Rule,
    Slot,
    TemplateError,
    parse_template,
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


class Table(BaseModel):
    """A table of a protocol's file; an unknown key in it is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def checked_phrases(phrases: tuple[str, ...]) -> tuple[str, ...]:
    """Return the phrases. Raises ValueError for one that is not in the phrase notation."""
    for phrase in phrases:
        try:
            parse_template(phrase)
        except TemplateError as error:
            raise ValueError(str(error)) from error
    return phrases


class Head(Table):
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
    unsure_below_at_stake: float | None = Field(default=None, ge=0, le=1)
    """Likewise for what holds a drug, a unit or a number; `unsure_below` where it is left out."""
    """Utterances heard with less confidence are shown apart and count for nothing yet."""
    weights_kg: tuple[float, float] | None = None
    """The lightest and the heaviest patient that the sheet plans for, kg; others are asked about."""


class Spoken(Table):
    """Something with an id and the ways to say it."""

    id: Identifier
    spoken: tuple[str, ...] = Field(min_length=1)
    title: str = ""
    about: str = ""
    """For people, at the briefing: a station's job, the steps of a plan."""

    _phrases = field_validator("spoken")(checked_phrases)

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


class Concentration(Table):
    """The strength of a drug as drawn up: `amount` of `unit` in every mL."""

    amount: float = Field(gt=0)
    unit: Unit


class DoseRange(Table):
    """The range that the team's sheet allows. answerback compares; it never suggests."""

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


class Planned(Table):
    """The dose that the team's sheet plans. Shown as the sheet's word, never suggested."""

    amount: float = Field(gt=0)
    unit: Unit
    per_kg: bool = True
    source: str = ""


class Drug(Spoken):
    """A drug on the sheet."""

    unit: Unit
    """The unit meant when none is said."""
    concentration: Concentration | None = None
    range: DoseRange | None = None
    planned: Planned | None = None
    group: Identifier | None = None
    """For sequence rules, such as `induction` or `muscle-relaxant`."""
    minimum_interval_s: Seconds | None = None
    """A second dose sooner than this is a finding."""


class ValueList(Table):
    """A slot type of the protocol's own: a closed list of things that can be said."""

    id: Identifier
    values: tuple[Spoken, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _not_built_in(self) -> ValueList:
        if self.id in BUILT_IN_TYPES:
            raise ValueError(f'"{self.id}" is a built-in slot type: give the list another id')
        return self


class Task(Table):
    """The task that an order sets: a later call reports it done."""

    done_by: tuple[Identifier, ...] = Field(min_length=1)
    limit_s: Seconds
    same: tuple[str, ...] = ()
    """Slots that the report, where it says them, must share with the order to be its report."""


def _checked_loinc(code: str) -> str:
    """Return a LOINC code ends in a check digit, Mod 10 (LOINC Users' Guide, appendix "check
    digit")."""
    number, _, check = code.partition("-")
    doubled = [int(digit) * (2 if at % 2 == 0 else 1) for at, digit in enumerate(reversed(number))]
    if (10 - sum(value // 10 + value % 10 for value in doubled) % 10) % 10 != int(check):
        raise ValueError(
            f'"{code}" is no LOINC code: its check digit does not fit, look it up again'
        )
    return code


LoincCode = Annotated[str, Field(pattern=r"^[0-9]{1,7}-[0-9]$"), AfterValidator(_checked_loinc)]


class Vital(Table):
    """The `vital` table of a call that reports a vital sign."""

    id: Identifier
    unit: str
    title: str
    lowest: bool = False
    """The record names the lowest value that was called."""
    below: float | None = None
    """The debrief counts the time below this value (of the first, where there are two)."""
    loinc: tuple[LoincCode, ...] = ()
    """Exports name each value by its LOINC code: one a slot, in the order of the slots."""
    panel: LoincCode | None = None
    """The LOINC code of several values together, such as a blood pressure."""
    ucum: str = ""
    """Exports write the unit in UCUM, where `unit` is written otherwise: "mm[Hg]" for "mmHg"."""

    @field_validator("loinc", mode="before")
    @classmethod
    def _one_or_many(cls, value: object) -> object:
        return (value,) if isinstance(value, str) else value


class Bounds(Table):
    """Bounds of a value. One outside can be said all the same, and is marked unsure when heard."""

    low: float
    high: float

    @model_validator(mode="after")
    def _ordered(self) -> Bounds:
        if self.low > self.high:
            raise ValueError("low is above high: swap them")
        return self


Readback = Literal["full", "key", "acknowledge", "none"]
Effect = Literal["none", "order", "given", "start-timer", "timer-complete"]
Kind = Literal["order", "report", "announcement"]
Role = Literal[
    "attempt",
    "abandoned",
    "placed",
    "device",
    "view",
    "size",
    "depth",
    "confirmed",
    "refuted",
    "plan",
    "event",
]
"""The meaning of a call for the record of the case. `attempt`: one on the airway begins;
`abandoned`: it is given up; `placed`: the tube or another device is in; `confirmed`, `refuted`:
capnography shows it in the airway, or not; `device`, `view`, `size`, `depth`, `plan`: the call's
value; `event`: a milestone."""

VALUED: tuple[Role, ...] = ("device", "view", "size", "depth", "plan")
"""Roles that record a value, and so need a slot."""


class Call(Table):
    """One thing the team may call out."""

    id: Identifier
    title: str
    phrases: tuple[str, ...] = Field(min_length=1)
    answers: tuple[str, ...] = ()
    """Short read-backs: the slots alone."""
    readback: Readback = "acknowledge"
    """The answer that closes it. `full`: every slot repeated. `key`: the deciding slots.
    `acknowledge`: a bare "copy" will do. `none`: a call-out that informs and needs no answer."""
    deciding: tuple[str, ...] = ()
    window_s: Seconds | None = None
    confirm: bool = False
    """Keep the loop `answered` until the caller confirms the read-back."""
    kind: Kind | None = None
    """An `order` asks somebody to do something; a `report` says what was done or found; an `announcement`
    tells everybody what is or will be. Left out, a call with a task or the effect `order` or `start-timer`
    is an order, and any other an announcement."""
    effect: Effect = "none"
    task: Task | None = None
    vital: Vital | None = None
    bounds: dict[str, Bounds] = {}
    completes: Identifier | None = None
    """The checklist that this call declares complete."""
    record: Role | None = None
    """Its meaning for the record of the case."""
    help: bool = False
    """It asks for help: whatever may be it stays loud, however doubtful, until a person settles it."""

    _phrases = field_validator("phrases", "answers")(checked_phrases)

    @property
    def is_order(self) -> bool:
        """Return whether the call asks somebody to do something."""
        if self.kind is not None:
            return self.kind == "order"
        return self.task is not None or self.effect in ("order", "start-timer")

    @property
    def kind_told(self) -> Kind:
        """Its kind, also where the protocol leaves it out."""
        if self.is_order:
            return "order"
        return "report" if self.kind == "report" else "announcement"

    @property
    def may_name_a_drug(self) -> bool:
        """Return whether a drug or a dose may be named in it."""
        return bool({"drug", "amount"} & set(self.slots))

    @cached_property
    def nodes(self) -> tuple[Node, ...]:
        """Return its phrases, parsed."""
        return tuple(parse_template(phrase) for phrase in self.phrases)

    @cached_property
    def answer_nodes(self) -> tuple[Node, ...]:
        """Return the phrases of its answer, parsed."""
        return tuple(parse_template(phrase) for phrase in self.answers)

    @cached_property
    def slots(self) -> dict[str, str]:
        """Slot name -> type, over all phrases. Composite types stand under the names that they fill."""
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
        if self.record in VALUED and not known:
            raise ValueError(
                f'record = "{self.record}" needs a slot to record: add one to a phrase'
            )
        if self.readback == "key" and not self.deciding:
            raise ValueError('readback = "key" needs deciding = [slots that must be repeated]')
        return self


class ChecklistItem(Spoken):
    """One line of a checklist, answered by voice."""


class Checklist(Table):
    """A list run aloud, item by item."""

    id: Identifier
    title: str
    items: tuple[ChecklistItem, ...] = Field(min_length=1)


def filled_by(slot: Slot) -> tuple[str, ...]:
    """Return names under which a slot's value is stored."""
    if slot.type == "duration":
        return ("duration_s" if slot.name == "duration" else slot.name,)
    return FILLS.get(slot.type, (slot.name,))
