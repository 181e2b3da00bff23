"""Reads a protocol file and turns every mistake in it into a sentence with its place and cure."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from unicodedata import category

from pydantic import ValidationError

from grammar.errors import UserError
from grammar.protocol.model import Protocol

SHIPPED = files("grammar.protocol") / "shipped"


class ProtocolError(UserError):
    """A protocol that cannot be used. The message holds one line per mistake."""


def shipped() -> tuple[str, ...]:
    """Return names of the protocols that come with answerback."""
    return tuple(
        sorted(
            entry.name.removesuffix(".toml")
            for entry in SHIPPED.iterdir()
            if entry.name.endswith(".toml")
        )
    )


def source_text(name_or_path: str) -> tuple[str, str]:
    """Return (text, label) of a protocol given by shipped name or by path. Raises ProtocolError."""
    path = Path(name_or_path)
    if name_or_path in shipped():
        return (SHIPPED / f"{name_or_path}.toml").read_text(encoding="utf-8"), name_or_path
    if not path.suffix and not path.exists():
        raise ProtocolError(
            f'no protocol is called "{name_or_path}": '
            f"use one of {', '.join(shipped())}, or the path of a TOML file"
        )
    try:
        return path.read_text(encoding="utf-8"), path.name
    except FileNotFoundError:
        raise ProtocolError(f"{path}: there is no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ProtocolError(f"{path}: cannot be read as text ({error})") from None


KEPT: Final = 8
"""Protocols that are kept as they were read."""


def load_protocol(name_or_path: str) -> Protocol:
    """Return a protocol by shipped name or by path. Raises ProtocolError."""
    text, label = source_text(name_or_path)
    return parse_protocol(text, label)


@lru_cache(KEPT)
def parse_protocol(text: str, label: str = "protocol") -> Protocol:
    """Return a protocol from the text of its TOML file. Raises ProtocolError, naming `label`."""
    data = read_toml(text, label)
    try:
        return Protocol.model_validate(data)
    except ValidationError as error:
        lines = [f"{label}: {_sentence(item, data)}" for item in _own(error.errors())]
        raise ProtocolError("\n".join(lines)) from None


def _controls(value: object) -> Iterator[str]:
    """Yield the characters in any text of a file that could steer a terminal."""
    match value:
        case str():
            yield from (char for char in value if char not in "\n\t" and category(char) == "Cc")
        case dict():
            for key, below in value.items():
                yield from _controls(key)
                yield from _controls(below)
        case list():
            for below in value:
                yield from _controls(below)


def read_toml(text: str, label: str) -> dict[str, Any]:
    """Return the tables of a TOML file. Raises ProtocolError for what is none, or could steer a
    terminal."""
    try:
        data = tomllib.loads(text)
        found = next(_controls(data), None)
    except RecursionError:
        raise ProtocolError(f"{label}: this is nested too deeply") from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        raise ProtocolError(f"{label}: this is not valid TOML: {error}") from None
    if found:
        raise ProtocolError(
            f"{label}: a text holds the control character U+{ord(found):04X}: write it without"
        )
    return data


_WRONG = {
    "missing": "is missing",
    "extra_forbidden": "is not a field",
    "string_pattern_mismatch": "is not an id",
    "too_short": "is empty",
    "tuple_type": "is not a list",
}
"""Our words for mistakes that pydantic would tell in terms of Python."""

_CURES = {
    "missing": "add it",
    "extra_forbidden": "no such field exists here: remove it or mend its spelling",
    "string_pattern_mismatch": "write lower-case letters, digits and hyphens, a letter first",
    "too_short": "give it one entry at least",
    "tuple_type": 'write ["one", "or more"]',
    "literal_error": "use one of these",
    "greater_than": "use a larger number",
    "greater_than_equal": "use a larger number",
    "less_than_equal": "use a smaller number",
    "float_parsing": "write a number without quotes",
    "float_type": "write a number without quotes",
    "int_parsing": "write a whole number without quotes",
    "string_type": "put it in quotes",
}


def _own(items: list[Any]) -> list[Any]:
    """Return the mistakes without "is empty" for a table all of whose entries have a mistake of
    their own."""
    places = [item["loc"] for item in items]
    return [
        item
        for item in items
        if item["type"] != "too_short"
        or not any(
            len(p) > len(item["loc"]) and p[: len(item["loc"])] == item["loc"] for p in places
        )
    ]


def _sentence(item: Any, data: dict[str, Any]) -> str:
    """Return one mistake as a sentence: the table (with the id of its entry), the field, the
    mistake, the cure."""
    place = list(item["loc"])
    table: list[str] = []
    here: Any = data
    while place and isinstance(here, dict | list):
        step = place[0]
        try:
            below = here[step]
        except (KeyError, IndexError, TypeError):
            break
        if not isinstance(below, dict | list) or (isinstance(below, list) and not _tables(below)):
            break
        if isinstance(step, int) and isinstance(below, dict):
            table[-1] = f"[[{table[-1]}]] {below.get('id', f'number {step + 1}')}"
        else:
            table.append(str(step))
        here = below
        place = place[1:]
    where = ", ".join(table) if table else "the file"
    where = f"[{where}]" if table and not where.startswith("[[") else where
    field = ", ".join(str(step) for step in place if step != "list")
    cure = _CURES.get(item["type"])
    wrong = _WRONG.get(item["type"], item["msg"].removeprefix("Value error, "))
    sentence = f"{where}, {field}: {wrong}" if field else f"{where}: {wrong}"
    return f"{sentence}; {cure}" if cure else sentence


def _tables(value: list[Any]) -> bool:
    return bool(value) and all(isinstance(entry, dict) for entry in value)
