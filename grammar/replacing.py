"""Frozen values made quickly, and copies of them with some fields changed.

A fold over a million facts makes some millions of values. A frozen dataclass sets each field by way of
`object.__setattr__`, which takes four times as long as a plain assignment: so a value is made as one of a
twin class that is open, and is of its own, closed class before anybody has it. What makes it is written
out field by field once a class, as `dataclasses` itself does, since a loop over the fields takes longer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import MISSING, fields, make_dataclass, replace
from functools import cache
from typing import Any, ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")


def replaced(value: T, **changes: object) -> T:
    """Return a copy of a dataclass with these fields changed.

    Raises KeyError for a field that it does not have.
    """
    made: T = _copier(type(value), tuple(changes))(value, *changes.values())  # type: ignore[arg-type]  # a class is hashable
    return made


def quick(kind: Callable[P, T]) -> Callable[P, T]:
    """Return what makes a value of a frozen dataclass with slots, as its class does, but sooner.

    Raises TypeError for a class of another sort, and for one that does more than set its fields.
    """
    made: Callable[P, T] = _maker(kind)
    return made


@cache
def _copier(kind: type, changed: tuple[str, ...]) -> Callable[..., Any]:
    """Return what copies a value of `kind`, given the value and a value for each changed field."""
    names = [each.name for each in fields(kind)]
    for name in changed:
        if name not in names:
            raise KeyError(name)
    try:
        twin = _twin(kind)
    except TypeError:
        return lambda value, *new: replace(value, **dict(zip(changed, new, strict=True)))
    lines = (f"made_.{n} = {n if n in changed else f'value_.{n}'}" for n in names)
    return _written(kind, twin, ["value_", *changed], lines, {})


@cache
def _maker(kind: type) -> Callable[..., Any]:
    """Return what makes a value of `kind` of its fields, given as its class wants them."""
    twin, own = _twin(kind), fields(kind)
    known: dict[str, Any] = {"absent": MISSING}
    parameters: list[str] = []
    keywords: list[str] = []
    lines: list[str] = []
    for each in own:
        name, parameter, line = each.name, each.name, f"made_.{each.name} = {each.name}"
        if each.default_factory is not MISSING:
            known[f"new_{name}"] = each.default_factory
            parameter += "=absent"
            line = f"made_.{name} = new_{name}() if {name} is absent else {name}"
        elif each.default is not MISSING:
            known[f"default_{name}"] = each.default
            parameter += f"=default_{name}"
        (keywords if each.kw_only is True else parameters).append(parameter)
        lines.append(line)
    return _written(
        kind, twin, [*parameters, *(["*", *keywords] if keywords else [])], lines, known
    )


def _written(
    kind: type,
    twin: type,
    parameters: list[str],
    lines: Iterator[str] | list[str],
    known: dict[str, Any],
) -> Callable[..., Any]:
    """Return a function of these parameters that fills a value by these lines."""
    body = ["made_ = new_(twin_)", *lines, "made_.__class__ = kind_", "return made_"]
    text = f"def {kind.__name__}({', '.join(parameters)}):\n" + "".join(f"  {x}\n" for x in body)
    names = {**known, "new_": object.__new__, "twin_": twin, "kind_": kind}
    exec(text, names)  # the names of a class's own fields, and nothing from outside
    made: Callable[..., Any] = names[kind.__name__]
    return made


@cache
def _twin(kind: type) -> type:
    """Return an open class of the same fields, whose values can become of `kind`."""
    own = fields(kind)
    parameters = getattr(kind, "__dataclass_params__", None)
    slots = tuple(getattr(kind, "__slots__", ()))
    if parameters is None or not parameters.frozen or slots != tuple(each.name for each in own):
        raise TypeError(f"{kind.__name__} is no frozen dataclass with slots")
    more = hasattr(kind, "__post_init__") or hasattr(kind, "__pydantic_validator__")
    if more or not all(each.init for each in own):
        raise TypeError(f"{kind.__name__} does more than set its fields")
    return make_dataclass(kind.__name__, [each.name for each in own], eq=False, slots=True)
