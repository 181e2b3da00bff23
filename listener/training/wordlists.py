"""Reads `words.toml`, the words that training texts are made of."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Words:
    """Each list of `words.toml`; entries may be of several words."""

    units: tuple[str, ...]  # zero to nineteen
    tens: tuple[str, ...]  # twenty to ninety
    drugs: tuple[str, ...]
    dose_units: tuple[str, ...]
    stations: tuple[str, ...]
    prowords: tuple[str, ...]
    spelling: tuple[str, ...]  # ICAO Annex 10 volume II, 5.2.1.3
    fixed: tuple[str, ...]  # calls without a slot
    items: tuple[str, ...]  # that may be asked for
    checked: tuple[str, ...]  # that may be on, ready, connected
    states: tuple[str, ...]
    vitals: tuple[str, ...]
    subjects: tuple[str, ...]
    verbs: tuple[str, ...]
    objects: tuple[str, ...]
    endings: tuple[str, ...]
    remarks: tuple[str, ...]
    unseen: tuple[str, ...]  # never in a training text
    pronunciations: Mapping[str, tuple[str, ...]]


@cache
def korean_remarks(use: str) -> tuple[str, ...]:
    """Return sentences that people say in Korean beside a case, of one use, "calibrate" or "score"."""
    text = Path(__file__).with_name("korean.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)[use])


@cache
def words() -> Words:
    """Return the lists of the file beside this module."""
    text = Path(__file__).with_name("words.toml").read_text(encoding="utf-8")
    table: dict[str, Any] = tomllib.loads(text)
    lists = {
        field.name: tuple(" ".join(entry.split()) for entry in table[field.name].split("|"))
        for field in fields(Words)
        if field.name != "pronunciations"
    }
    spoken = {word: tuple(ways) for word, ways in table["pronunciations"].items()}
    return Words(**lists, pronunciations=spoken)
