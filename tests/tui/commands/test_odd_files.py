"""Case folders with files in them that would hold up whoever reads them: a sentence, within a second."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded
from listener.storage.seals import seal
from tests.support.kept_cases import WALL, begin, record
from tui.cli import main

SECONDS = 1.0
"""Of a processor, until the error is told."""

GIGABYTES = 6


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def endless(path: Path) -> None:
    path.unlink()
    path.symlink_to("/dev/zero")


def sparse(path: Path) -> None:
    """Gigabytes of nothing, which take no room on the disk."""
    path.unlink()
    path.touch()
    os.truncate(path, GIGABYTES << 30)


def sparse_after(path: Path) -> None:
    os.truncate(path, GIGABYTES << 30)


FILES = ("journal.db", "journal.db-wal", "protocol.toml", "seals.jsonl", "audio.flac", "lock.json")
ODD: tuple[Callable[[Path], None], ...] = (pipe, endless, sparse, sparse_after)
COMMANDS = ("debrief", "handover", "export", "verify", "seal", "debrief-page")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    journal = begin(tmp_path_factory.mktemp("whole"))
    record(journal)
    journal.append_next(CaseEnded(t=6.0, wall=WALL))
    seal(journal, WALL)
    journal.close()
    return journal.folder


def commands(case: Path, page: Path) -> dict[str, list[str]]:
    return {
        "debrief": ["debrief", str(case)],
        "debrief-page": ["debrief", str(case), "--sound", "--html", str(page)],
        "handover": ["handover", str(case)],
        "export": ["export", str(case), "--as", "jsonl"],
        "verify": ["verify", str(case)],
        "seal": ["seal", str(case)],
    }


class Late(BaseException):
    """No error that a command could tell as its own."""


@contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """A command that hangs in the system is woken up and fails."""

    def late(*_: object) -> None:
        raise Late(f"not done after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: odd.__name__)
@pytest.mark.parametrize("name", FILES)
def test_a_command_on_a_case_with_a_strange_file_ends_at_once(
    whole: Path,
    tmp_path: Path,
    name: str,
    odd: Callable[[Path], None],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    for command in COMMANDS:
        case = shutil.copytree(whole, tmp_path / command / "case")
        path = case / name
        path.touch()
        odd(path)
        page = tmp_path / f"{command}.html"
        began = time.process_time()
        with at_most(30):
            code = main(commands(case, page)[command])
        spent = time.process_time() - began
        told = capsys.readouterr()
        assert code in (0, 1, 2)
        assert (told.out + told.err).strip() or page.exists()
        if code == 2:
            assert len(told.err.strip().splitlines()) <= 2, told.err
            assert spent < SECONDS, (command, spent)
