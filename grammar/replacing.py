"""Copies of a value with some of its fields changed, several times as quick as `dataclasses.replace`.

A fold over a million facts makes some millions of such copies: where they are made for each fact they are
made here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import cache
from operator import attrgetter
from typing import Any, TypeVar

T = TypeVar("T")


def replaced(value: T, **changes: object) -> T:
    """Return a copy of a dataclass with these fields changed. Its fields must be positional.

    Raises KeyError for a field that it does not have.
    """
    kind = type(value)
    places, read = _shape(kind)  # type: ignore[arg-type]  # a class is hashable
    values = list(read(value))
    for name, new in changes.items():
        values[places[name]] = new
    return kind(*values)


@cache
def _shape(kind: type) -> tuple[Mapping[str, int], Callable[[Any], tuple[Any, ...]]]:
    """Return where each field of a dataclass stands, and how to read all of them at once."""
    names = [field.name for field in fields(kind)]
    return {name: place for place, name in enumerate(names)}, attrgetter(*names)
