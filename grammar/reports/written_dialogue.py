"""A written dialogue: a protocol tried without sound.

protocol = "isolation-airway"
weight_kg = 70                 # optional
until = 40                     # optional: judge at that moment, seconds

[[say]]
t = 2.0                        # seconds
words = "drugs nurse give seventy milligrams of ketamine"
from = "team-leader"           # optional: a station
channel = 1                    # optional
until = 5.0                    # optional
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grammar.case.facts import CaseStarted, Heard
from grammar.case.fold import Case
from grammar.case.view import Utterance, View
from grammar.errors import UserError
from grammar.language.parse import understanding_of
from grammar.language.words import Word
from grammar.protocol.loading import read_toml
from grammar.protocol.model import Protocol

SECONDS_A_WORD = 0.35
"""Assumed length of a word where a line gives no end: about 170 words a minute."""


class Say(BaseModel):
    """One line that is spoken."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False
    )

    t: float = Field(ge=0)
    words: str
    sender: str | None = Field(default=None, alias="from")
    channel: int = Field(default=1, ge=1)
    until: float | None = None


class Dialogue(BaseModel):
    """A whole dialogue file. `expect` is for tests and is left alone here."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    protocol: str
    weight_kg: float | None = Field(default=None, gt=0)
    until: float | None = Field(default=None, ge=0)
    title: str = ""
    say: tuple[Say, ...] = Field(min_length=1)
    expect: dict[str, Any] = {}


def parse_dialogue(text: str, label: str) -> Dialogue:
    """Return a dialogue from its TOML. Raises UserError naming `label`, the line's number and the
    field."""
    try:
        return Dialogue.model_validate(read_toml(text, label))
    except ValidationError as error:
        first = error.errors()[0]
        place = ", ".join(str(step + 1 if isinstance(step, int) else step) for step in first["loc"])
        raise UserError(f"{label}: {place}: {first['msg']}") from None


def station_id(protocol: Protocol, name: str) -> str:
    """Return a station's id from its id, title or spoken name. Raises UserError."""
    plain = re.sub(r"[\s_-]+", "-", name.strip().lower())
    for station in protocol.station:
        names = (station.id, station.title, *station.spoken)
        if plain in {re.sub(r"[\s_-]+", "-", known.lower()) for known in names}:
            return station.id
    known = ", ".join(protocol.stations)
    raise UserError(f'no station is called "{name}": use one of {known}')


def heard(protocol: Protocol, dialogue: Dialogue) -> Iterator[Heard]:
    """Yield the dialogue as facts, one an utterance, without their `seq`."""
    understanding = understanding_of(protocol)
    for line in sorted(dialogue.say, key=lambda line: line.t):
        texts = re.findall(r"\[unk\]|[\w'-]+", line.words.lower())
        if not texts:
            continue
        end = line.t + SECONDS_A_WORD * len(texts) if line.until is None else line.until
        step = max(0.0, end - line.t) / len(texts)
        words = [
            Word(text, line.t + step * at, line.t + step * (at + 1))
            for at, text in enumerate(texts)
        ]
        sender = station_id(protocol, line.sender) if line.sender else None
        for cut in understanding.utterances(words):
            yield Heard(
                t=cut[0].start,
                until=cut[-1].end,
                channel=line.channel,
                words=tuple(cut),
                engine="written",
                sender=sender,
            )


def judge(protocol: Protocol, dialogue: Dialogue) -> tuple[tuple[Utterance, ...], View]:
    """Return the utterances as the case took them, and the view at `until` (else the last word's
    end)."""
    case = Case(protocol)
    case.add(CaseStarted(seq=1, protocol=dialogue.protocol, weight_kg=dialogue.weight_kg))
    utterances = []
    last = 0.0
    for seq, fact in enumerate(heard(protocol, dialogue), start=2):
        if dialogue.until is not None and fact.t > dialogue.until:
            continue
        found = case.add(replace(fact, seq=seq))
        last = max(last, fact.until)
        if found:
            utterances.append(found)
    return tuple(utterances), case.view(dialogue.until if dialogue.until is not None else last)
