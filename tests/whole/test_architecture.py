"""Who may know whom: grammar is pure, listener knows grammar alone, tui may know both."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from tests.support.places import ROOT

ORDER: dict[str, tuple[str, ...]] = {
    "grammar": ("protocol", "language", "case", "advice", "reports"),
    "listener": ("audio", "recognition", "confidence", "storage", "team", "", "bench", "training"),
    "tui": ("text", "pages", "export", "dashboard", "listening", "commands", ""),
}
"""Rooms of each part, each importing only those before it; "" are the files at its top."""

ANYWHERE = {"grammar.errors", "grammar.replacing", "grammar.times"}
"""Small files that every room of their part may import."""

PARTS = ("grammar", "listener", "tui")
"""Each imports only those before it."""

IMPURE = {
    *("time", "datetime", "random", "secrets", "uuid", "threading", "asyncio", "subprocess"),
    *("multiprocessing", "concurrent", "queue", "sched", "signal", "socket", "sqlite3", "os"),
    *("sys", "logging", "tempfile", "shutil", "io"),
}
"""Modules that bring a clock, chance, a thread, a process, the network or a file."""

NUMERIC = {"numpy"}
"""Brings chance and files too; the measures' regression alone takes its arrays."""

FILES = {"pathlib", "importlib"}
"""What reads a protocol's file; `loading.py` alone may."""


def imported(path: Path) -> Iterator[str]:
    """Top-level names of the modules that a file imports, anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            # A relative import stays in its own package.
            yield (node.module or "").split(".")[0] if not node.level else path.parent.name


def modules(package: str) -> list[Path]:
    found = sorted((ROOT / package).rglob("*.py"))
    assert found, package
    return found


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {name_of(path): path for part in PARTS for path in modules(part)}


def ours(path: Path) -> Iterator[str]:
    """Modules of ours that a file imports, anywhere in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in MODULES)
        elif isinstance(node, ast.ImportFrom) and node.level:
            raise ValueError(f"{path}: modules are named in full")
        elif (
            isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in PARTS
        ):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in MODULES else node.module


def room_of(module: str) -> str:
    """The folder below its part in which a module lies, "" for the top."""
    first, *rest = module.split(".")[1:] or [""]
    return first if rest or f"{module.split('.', maxsplit=1)[0]}.{first}" in PACKAGES else ""


PACKAGES = {name for name, path in MODULES.items() if path.name == "__init__.py"}


@pytest.mark.parametrize("part", PARTS)
def test_each_part_and_each_room_imports_only_what_stands_before_it(part: str) -> None:
    order = ORDER[part]
    for path in modules(part):
        here = name_of(path)
        if here == part:
            continue
        for there in ours(path):
            other = there.split(".")[0]
            assert PARTS.index(other) <= PARTS.index(part), f"{here} imports {there}"
            if other == part and there not in ANYWHERE:
                assert order.index(room_of(there)) <= order.index(room_of(here)), (
                    f"{here} imports {there}"
                )


def test_every_room_is_in_the_order_and_says_what_lives_in_it() -> None:
    for part in PARTS:
        folders = {path.parent for path in modules(part)} - {ROOT / part}
        rooms = {folder.relative_to(ROOT / part).parts[0] for folder in folders}
        assert rooms == set(ORDER[part]) - {""}
        for room in rooms:
            said = ast.get_docstring(ast.parse((ROOT / part / room / "__init__.py").read_text()))
            assert said and len(said.splitlines()) >= 3, f"{part}/{room}"


def imports() -> dict[str, set[str]]:
    """The modules that each of ours imports."""
    return {name: {to for to in ours(path) if to != name} for name, path in MODULES.items()}


def test_no_modules_import_each_other_in_a_circle() -> None:
    TopologicalSorter(imports()).prepare()  # raises CycleError, which names the circle


@pytest.mark.parametrize("back", ["grammar.case.facts", "grammar.case.answering"])
def test_a_circle_inside_a_room_would_be_found(back: str) -> None:
    graph = imports()
    graph[back].add("grammar.case.fold")  # which imports both, by way of others
    with pytest.raises(CycleError, match=r"grammar\.case\.fold"):
        TopologicalSorter(graph).prepare()


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_grammar_brings_no_clock_no_chance_no_thread_and_no_file(path: Path) -> None:
    used = set(imported(path))
    assert not IMPURE & used
    assert path.name == "loading.py" or not FILES & used
    assert path.name in ("survival.py", "clusters.py") or not NUMERIC & used


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_grammar_calls_nothing_that_opens_or_prints(path: Path) -> None:
    called = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not {"open", "print", "input", "exec", "eval", "__import__"} & called


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_grammar_keeps_no_state_of_its_own(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Global), path


def test_sounddevice_is_imported_only_where_a_microphone_is_asked_for() -> None:
    for package in ("grammar", "listener", "tui"):
        for path in modules(package):
            top = ast.parse(path.read_text(encoding="utf-8")).body
            names = {
                alias.name for node in top if isinstance(node, ast.Import) for alias in node.names
            }
            assert "sounddevice" not in names, path


@pytest.mark.parametrize("package", ["grammar", "listener", "tui"])
def test_no_file_needs_a_map(package: str) -> None:
    for path in modules(package):
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 450, path
