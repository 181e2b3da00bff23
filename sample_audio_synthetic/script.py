"""What a drill's script says: who speaks what, and what is meant by it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Role = Literal["call", "read-back", "acknowledgement", "proword", "chatter"]
Fault = Literal[
    "unanswered",
    "wrong-read-back",
    "late-answer",
    "say-again",
    "never-done",
    "chatter",
    "unclear-number",
    "possible-help",
]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Line(_Table):
    """One line that is spoken. Its meaning is written by hand, not taken from the parser."""

    sender: str = Field(alias="from")
    say: str
    sounds: str = ""
    """For the synthesiser, where it would not say a word of `say` as people do."""
    role: Role = "call"
    call: str | None = None
    """Of an answer or a proword: the call that it is about. None for checklist items and chatter."""
    to: str | None = None
    slots: dict[str, str | int | float] = {}
    repeat: bool = False
    """The same call once more, after "say again"."""
    fault: Fault | None = None
    cold: bool = False
    """The voice is a semitone and a quarter lower and dull, as that of a blocked nose."""
    pause: float | None = Field(default=None, ge=0)
    """Seconds of quiet before it; None leaves it to the maker."""
    id: str | None = None
    since: str | None = None
    wait: float | None = None
    """At the earliest so many seconds after the end of the line `since`."""

    @property
    def words(self) -> str:
        """What should be heard: lower case, one space between words, no punctuation."""
        return " ".join(re.findall(r"[\w']+", self.say.lower()))

    @model_validator(mode="after")
    def _waits_for_something(self) -> Line:
        if (self.wait is None) != (self.since is None):
            raise ValueError("wait and since go together")
        return self


class _Lines(_Table):
    lines: tuple[Line, ...] = Field(min_length=1)


class Script(_Table):
    """A whole script."""

    title: str
    protocol: str
    weight_kg: float
    seed: int
    voice: dict[str, str]
    """Station -> voice id of `listener.training.voices`."""
    script: _Lines

    @property
    def lines(self) -> tuple[Line, ...]:
        return self.script.lines


def read_script(path: Path) -> Script:
    """A script from its file. Raises tomllib's and pydantic's ValueErrors for a broken one."""
    return Script.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
