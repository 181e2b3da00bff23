"""Who may know whom: grammar is pure, listener knows grammar alone, tui may know both."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

MAY_NOT = {"grammar": {"listener", "tui"}, "listener": {"tui"}}

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


@pytest.mark.parametrize("package", MAY_NOT)
def test_no_room_looks_into_one_that_it_must_not_know(package: str) -> None:
    for path in modules(package):
        assert not MAY_NOT[package] & set(imported(path)), path


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_grammar_brings_no_clock_no_chance_no_thread_and_no_file(path: Path) -> None:
    used = set(imported(path))
    assert not IMPURE & used
    assert path.name == "loading.py" or not FILES & used
    assert path.name == "survival.py" or not NUMERIC & used


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
