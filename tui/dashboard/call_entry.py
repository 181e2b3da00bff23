"""A call entered at the keyboard: which values it needs, and what typed text means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from decimal import Decimal, InvalidOperation
from typing import Literal

from grammar.language.meaning import SlotValue
from grammar.language.numbers import language
from grammar.language.numbers.units import UNITS
from grammar.protocol.model import Call, Protocol, required
from tui.text.wording import drug, duration, number

LETTERS = "abcdefghijklmnopqrstuvwxyz"

SIGNS = "-=,.;/'"
"""Keys for what letters and digits do not suffice for; none needs Shift on common keyboards."""

_DURATION = re.compile(
    r"(?:(\d+(?:\.\d+)?)\s*m(?:in(?:utes?)?)?)?\s*(?:(\d+)\s*(?:s(?:ec(?:onds?)?)?)?)?"
)
_CLOCK = re.compile(r"(\d+):([0-5]\d)")


@dataclass(frozen=True, slots=True)
class Step:
    """One value to ask for: chosen from `choices` (id, title), or typed."""

    names: tuple[str, ...]
    """The slots it fills; several numbers are typed at once, as in 130/80."""
    kind: Literal["choice", "number", "amount", "duration"]
    title: str
    _: KW_ONLY
    may_skip: bool
    choices: tuple[tuple[str, str], ...] = ()


def letters(titles: Sequence[str], taken: Sequence[str] = ()) -> list[str]:
    """Return a key for each title: a letter of its own where one is free, else another, then digits;
    "" when all are gone, and arrows choose.

    No two differ by case alone: Caps Lock and a late Shift change nothing. The first titles choose
    first. A word that all begin with, as in "Plan A" and "Plan B", does not count. None is one of `taken`.
    """
    given: list[str] = []
    parts = [title.split() for title in titles]
    same = len(parts) > 1 and all(len(each) > 1 and each[0] == parts[0][0] for each in parts)
    for title in (" ".join(each[1:]) for each in parts) if same else titles:
        own = [char for char in title.lower() if char in LETTERS]
        wishes = [*own, *LETTERS, *"0123456789", *SIGNS]
        given.append(next((char for char in wishes if char not in (*given, *taken)), ""))
    return given


def in_order(calls: Iterable[Call]) -> list[Call]:
    """Calls in the order in which they get their letters: vital signs, drugs and timers first, since they
    come often."""
    return sorted(calls, key=lambda call: (call.vital is None, call.effect == "none"))


def steps(protocol: Protocol, call: Call) -> list[Step]:
    """Return the values to ask for, in order."""
    needed = [required(node) for node in call.nodes]
    always = frozenset.intersection(*needed) if needed else frozenset()
    found: list[Step] = []
    numbers = [name for name, kind in call.slots.items() if kind == "number"]
    for name, kind in call.slots.items():
        skip = name not in always
        listed = protocol.lists.get(kind)
        if name == "drug":
            drugs = tuple((each.id, drug(protocol, each.id)) for each in protocol.drug)
            found.append(Step((name,), "choice", "drug", may_skip=skip, choices=drugs))
        elif name == "amount":
            found.append(Step((name,), "amount", "amount", may_skip=skip))
        elif listed:
            values = tuple((v.id, v.title or v.id.replace("-", " ")) for v in listed.values)
            found.append(
                Step((name,), "choice", name.replace("-", " "), may_skip=skip, choices=values)
            )
        elif kind == "duration":
            found.append(Step((name,), "duration", "how long", may_skip=skip))
        elif kind == "number" and name == numbers[0]:
            title = "/".join(each.removesuffix("_number").replace("_", " ") for each in numbers)
            found.append(Step(tuple(numbers), "number", title, may_skip=skip))
    return found


def typed(
    protocol: Protocol, call: Call, step: Step, *, text: str, before: Mapping[str, SlotValue]
) -> list[tuple[str, SlotValue]]:
    """Return the slots that typed text fills. Raises ValueError with one sentence for a person."""
    match step.kind:
        case "duration":
            return [(step.names[0], seconds(text))]
        case "amount":
            value, unit = _amount(protocol, text)
            of = protocol.drugs.get(str(before.get("drug", "")))
            return [("amount", value), ("unit", unit or (of.unit if of else "mg"))]
        case _:
            return _numbers(call, step, text)


def seconds(text: str) -> Decimal:
    """Return a typed duration in seconds: 90 or 90s, 3m, 1m30, 3:00, 3 minutes. Raises ValueError for
    others.
    """
    plain = text.strip().lower()
    clock = _CLOCK.fullmatch(plain)
    if clock:
        found = Decimal(clock[1]) * 60 + Decimal(clock[2])
    else:
        match = _DURATION.fullmatch(plain)
        if match is None or not plain:
            raise ValueError(f'"{text}" is no duration: write 90 (seconds), 3m, 1m30 or 3:00')
        found = Decimal(match[1] or 0) * 60 + Decimal(match[2] or 0)
    if not 0 < found <= 86_400:
        raise ValueError("a timer runs for more than nothing, and at most a day")
    return found


def meant(step: Step, slots: Sequence[tuple[str, SlotValue]]) -> str:
    """Return the reading of typed text in words, to be seen before Enter."""
    values = [value for _, value in slots]
    if step.kind == "duration" and isinstance(values[0], Decimal):
        return duration(values[0])
    words = [value if isinstance(value, str) else number(value) for value in values]
    return (" " if step.kind == "amount" else "/").join(words)


def _amount(protocol: Protocol, text: str) -> tuple[Decimal, str | None]:
    match = re.fullmatch(r"\s*([\d.,]+)\s*([^\d\s]*)\s*", text)
    if match is None:
        raise ValueError(
            f'"{text}" is no amount: write a number, with its unit where it is another'
        )
    said = match[2].lower()
    known = {unit.lower(): unit for unit in UNITS} | {"mcg": "microgram", "units": "unit"}
    known |= dict(language(protocol.protocol.language).UNITS)
    if said and said not in known:
        raise ValueError(f'"{match[2]}" is no unit: write one of {", ".join(UNITS)}')
    return _number(match[1]), known.get(said)


def _numbers(call: Call, step: Step, text: str) -> list[tuple[str, SlotValue]]:
    parts = [part for part in re.split(r"[/\s]+", text.strip().removesuffix("%")) if part]
    if len(parts) != len(step.names):
        if len(step.names) == 1:
            raise ValueError("write one number")
        raise ValueError(f"write {len(step.names)} numbers, as in 130/80")
    found: list[tuple[str, SlotValue]] = []
    for name, part in zip(step.names, parts, strict=True):
        value, bounds = _number(part), call.bounds.get(name)
        if bounds and not bounds.low <= value <= bounds.high:
            raise ValueError(
                f"{call.title} lies between {bounds.low:g} and {bounds.high:g} on this protocol"
            )
        found.append((name, value))
    return found


def _number(text: str) -> Decimal:
    if re.fullmatch(r"\d+,\d{3}", text):
        raise ValueError(f'"{text}" may be a thousand or one: write a point, or no comma')
    try:
        value = Decimal(text.replace(",", "."))
    except InvalidOperation:
        raise ValueError(f'"{text}" is no number') from None
    if not value.is_finite() or not 0 <= value < 100_000:
        raise ValueError(f'"{text}" is out of all bounds')
    return value
