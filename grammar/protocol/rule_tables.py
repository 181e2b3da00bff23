"""The tables of a protocol file that say what a case is held to: rules, objectives and times to measure."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from grammar.protocol.tables import Identifier, Seconds, Table


class SequenceRule(Table):
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


class Objective(Table):
    """Something that a drill is held for; the debrief tells what the log shows of it.

    `calls` are held to their loops, `rules` to whether they were broken.
    """

    id: Identifier
    title: str
    calls: tuple[Identifier, ...] = ()
    rules: tuple[Identifier, ...] = ()


class Span(Table):
    """A time that the debrief measures beside the waits and limits of the rules.

    `time`: each time from an event of `first` to the next of `then`. `phase`: from its `first` until
    another phase begins, or the case ends. Events are named as in a rule.
    """

    id: Identifier
    title: str
    kind: Literal["time", "phase"] = "time"
    first: tuple[str, ...] = Field(min_length=1)
    then: tuple[str, ...] = ()

    @field_validator("first", "then", mode="before")
    @classmethod
    def _one_or_many(cls, value: object) -> object:
        return (value,) if isinstance(value, str) else value

    @model_validator(mode="after")
    def _ends_once(self) -> Span:
        if self.kind == "time" and not self.then:
            raise ValueError('kind = "time" needs then = the call that ends it')
        if self.kind == "phase" and self.then:
            raise ValueError("a phase ends where the next begins: leave then out")
        return self
