"""Docstrings: every public class and function has one, and a function's begins with a verb."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.places import ROOT

Function = ast.FunctionDef | ast.AsyncFunctionDef

NOUNS = {"A", "All", "An", "Each", "Every", "Everything", "The", "Whether"}
"""Beginnings that say what a value is and not that it is returned, yielded or stored."""


def public(path: Path) -> Iterator[tuple[str, Function | ast.ClassDef, ast.ClassDef | None]]:
    """Yield each public class and function of a module: its place, itself, and its class if any."""
    for top in ast.parse(path.read_text(encoding="utf-8")).body:
        if not isinstance(top, Function | ast.ClassDef) or top.name.startswith("_"):
            continue
        owner = top if isinstance(top, ast.ClassDef) else None
        yield f"{path.relative_to(ROOT)}:{top.lineno} {top.name}", top, None
        for one in owner.body if owner else ():
            if isinstance(one, Function) and not one.name.startswith("_"):
                yield f"{path.relative_to(ROOT)}:{one.lineno} {top.name}.{one.name}", one, owner


def modules(part: str) -> list[Path]:
    """The modules of a part."""
    return sorted((ROOT / part).rglob("*.py"))


def decorators(one: Function) -> set[str]:
    return {ast.unparse(each).split(".")[-1].split("(")[0] for each in one.decorator_list}


@pytest.mark.parametrize("part", ["grammar", "listener", "tui"])
def test_every_public_class_and_function_says_what_it_is_or_does(part: str) -> None:
    """A method of a class with bases may be said by the base: an override says nothing again."""
    silent = [
        place
        for path in modules(part)
        for place, one, owner in public(path)
        if not ast.get_docstring(one) and not (owner and owner.bases)
    ]
    assert not silent


@pytest.mark.parametrize("part", ["grammar", "listener", "tui"])
def test_a_function_says_what_it_does_and_not_only_what_a_value_is(part: str) -> None:
    nouns = [
        f"{place}: {said}"
        for path in modules(part)
        for place, one, _ in public(path)
        if isinstance(one, Function)
        if not {"property", "cached_property", "contextmanager"} & decorators(one)
        if (said := ast.get_docstring(one) or "") and said.split()[0] in NOUNS
    ]
    assert not nouns
