"""A value typed in place of the one that was heard: the call, its drug, its unit and its addressee stay.

Whoever types "8" over a doubtful tube size means a tube size of 8, not a number read back to somebody.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from grammar.language.meaning import Meaning, SlotValue

_NUMBER = r"\d+(?:[.,]\d+)?"
_BARE = re.compile(rf"({_NUMBER})(?:\s*(?:/|over|on|\s)\s*({_NUMBER}))?\s*([^\d\s]+)?")
OWN_UNITS: Mapping[str, str] = {
    "mm": "mm",
    "cm": "cm",
    "percent": "%",
    "per_minute": "/min",
    "joules": "j",
    "systolic": "mmhg",
}
"""Units that a slot's own name gives it: typed or not, the value is the same."""


@dataclass(frozen=True, slots=True)
class BareValue:
    """Numbers typed alone, or with a unit."""

    numbers: tuple[Decimal, ...]
    unit: str = ""
    """The sign typed after them, in small letters; "" without one."""


def bare_value(text: str) -> BareValue | None:
    """Return "8", "70 mg" or "105/62" as a value; None for any other text."""
    found = _BARE.fullmatch(text.strip().lower())
    if found is None:
        return None
    try:
        numbers = tuple(Decimal(part.replace(",", ".")) for part in found.groups()[:2] if part)
    except InvalidOperation:
        return None
    return BareValue(numbers, found[3] or "")


def with_numbers(
    words: Sequence[str],
    tokens: Sequence[str],
    places: Sequence[tuple[int, int]],
    *,
    said: Sequence[str],
    unit: str,
    signs: Container[str],
) -> Iterator[str]:
    """Yield the words with other numbers in place of theirs, and with another unit behind the last.

    `tokens` and `places` as `Nearest.skeleton_of` gives them; `said` are the new numbers in words, `unit`
    the word of the unit, "" to keep the one that was said, `signs` the words of units other than those of
    doses. Raises ValueError where there are more or fewer numbers than new ones.
    """
    marks = [token for token in tokens if token.startswith("{")]
    at = [place for mark, place in zip(marks, places, strict=True) if mark == "{number}"]
    if len(at) != len(said):
        raise ValueError(f"write {len(at)} number{'s' if len(at) != 1 else ''}, or the whole call")
    units = [place for mark, place in zip(marks, places, strict=True) if mark == "{unit}"]
    end = at[-1][1] if at else 0
    if end < len(words) and words[end] in signs:
        units.append((end, end + 1))
    new = dict(zip(at, said, strict=True)) | (dict.fromkeys(units, unit) if unit else {})
    yield _put(words, new)
    if unit and not units:
        yield _put(words, {**new, at[-1]: f"{said[-1]} {unit}"})


def _put(words: Sequence[str], new: Mapping[tuple[int, int], str]) -> str:
    """Return the words with others from one place to another."""
    put = list(words)
    for start, end in sorted(new, reverse=True):
        put[start:end] = new[start, end].split()
    return " ".join(put)


def same_but_value(read: Meaning, before: Meaning, value: BareValue, unit: str | None) -> bool:
    """Return whether a reading is that of before with the typed value, beyond doubt: the same call,
    drug, choices and addressee. `unit` is the unit of a dose that was typed, None where none was."""
    old, new = before.reading, read.reading
    if read.kind != before.kind or read.doubts or read.to != before.to or not old or not new:
        return False
    if new.call not in {each.call for each in before.readings}:
        return False
    if _choices(new.slots) != _choices(old.slots):
        return False
    if unit is None and new.slots.get("unit") != old.slots.get("unit"):
        return False
    if unit is not None and new.slots.get("unit") != unit:
        return False
    numbers = {name: each for name, each in new.slots.items() if isinstance(each, Decimal)}
    lengths = [each for name, each in numbers.items() if name.endswith("_s")]
    if lengths:
        minutes = [60 * each for each in value.numbers]
        whole = {"s": [list(value.numbers)], "m": [minutes]}.get(value.unit[:1])
        return lengths in (whole or [list(value.numbers), minutes])
    return sorted(numbers.values()) == sorted(value.numbers)


def own_unit(meaning: Meaning, sign: str) -> bool:
    """Return whether a sign is the unit that the call's value has anyhow, as mm of a tube's size."""
    return bool(sign) and any(
        OWN_UNITS.get(name, "") == sign for each in meaning.readings for name in each.slots
    )


def _choices(slots: Mapping[str, SlotValue]) -> dict[str, str]:
    return {
        name: value for name, value in slots.items() if isinstance(value, str) and name != "unit"
    }
