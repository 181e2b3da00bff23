"""Frozen values made quickly, and copies of them with some fields changed.

A fold over a million facts makes some millions of values. A frozen dataclass sets each field by way of
`object.__setattr__`, which takes four times as long as a plain assignment: so a value is made as one of a
twin class that is open, and is of its own, closed class before anybody has it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, field, fields, make_dataclass
from functools import cache
from operator import attrgetter
from typing import Any, ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")


def replaced(value: T, **changes: object) -> T:
    """Return a copy of a dataclass with these fields changed. Its fields must be positional.

    Raises KeyError for a field that it does not have.
    """
    kind = type(value)
    places, read, make = _shape(kind)  # type: ignore[arg-type]  # a class is hashable
    values = list(read(value))
    for name, new in changes.items():
        values[places[name]] = new
    made: T = make(*values)
    return made


def quick(kind: Callable[P, T]) -> Callable[P, T]:
    """Return what makes a value of a frozen dataclass with slots, as its class does, but sooner.

    Raises TypeError for a class of another sort, and for one that does more than set its fields.
    """
    made: Callable[P, T] = _twin(kind)
    return made


@cache
def _shape(
    kind: type,
) -> tuple[Mapping[str, int], Callable[[Any], tuple[Any, ...]], Callable[..., Any]]:
    """Return where each field of a dataclass stands, how to read all of them at once, and how to make
    one."""
    names = [each.name for each in fields(kind)]
    try:
        make: Callable[..., Any] = _twin(kind)
    except TypeError:
        make = kind
    read: Callable[[Any], tuple[Any, ...]] = attrgetter(*names)
    if len(names) == 1:  # it would give the field itself, not a tuple
        read = lambda value: (getattr(value, names[0]),)  # noqa: E731
    return {name: place for place, name in enumerate(names)}, read, make


@cache
def _twin(kind: type) -> type:
    """Return an open class of the same fields, whose values become of `kind` as soon as they are made."""
    own = fields(kind)
    parameters = getattr(kind, "__dataclass_params__", None)
    slots = tuple(getattr(kind, "__slots__", ()))
    if parameters is None or not parameters.frozen or slots != tuple(each.name for each in own):
        raise TypeError(f"{kind.__name__} is no frozen dataclass with slots")
    more = hasattr(kind, "__post_init__") or hasattr(kind, "__pydantic_validator__")
    if more or not all(each.init for each in own):
        raise TypeError(f"{kind.__name__} does more than set its fields")

    def close(self: object) -> None:
        self.__class__ = kind

    return make_dataclass(
        kind.__name__,
        [(each.name, Any, _again(each)) for each in own],
        namespace={"__post_init__": close},
        eq=False,
        slots=True,
    )


def _again(each: Field[Any]) -> Any:
    """Return a field of the same default."""
    if each.default_factory is not MISSING:
        return field(default_factory=each.default_factory, kw_only=each.kw_only is True)
    if each.default is not MISSING:
        return field(default=each.default, kw_only=each.kw_only is True)
    return field(kw_only=each.kw_only is True)
