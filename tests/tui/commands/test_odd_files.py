"""Case folders with files in them that would hold up whoever reads them: a sentence, within a second."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded
from listener.storage.seals import seal
from tests.support.kept_cases import WALL, begin, record

RUN = "import sys; from tui.cli import main; sys.exit(main())"
SECONDS = 1.0
"""Of a processor, beyond what the same command takes on the whole case."""

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


def ran(argv: list[str], cache: Path) -> tuple[int, str, float]:
    """Exit code, what was said, and seconds."""
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", RUN, *argv],
        env={**os.environ, "XDG_CACHE_HOME": str(cache)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr, time.monotonic() - began


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: odd.__name__)
@pytest.mark.parametrize("name", FILES)
def test_a_command_on_a_case_with_a_strange_file_ends_at_once(
    whole: Path, tmp_path: Path, name: str, odd: Callable[[Path], None]
) -> None:
    usual = max(
        ran(argv, tmp_path / "cache")[2]
        for command, argv in commands(whole, tmp_path / "whole.html").items()
        if command in ("debrief", "debrief-page")
    )
    for command in COMMANDS:
        case = shutil.copytree(whole, tmp_path / command / "case")
        path = case / name
        path.touch()
        odd(path)
        page = tmp_path / f"{command}.html"
        code, told, seconds = ran(commands(case, page)[command], tmp_path / "cache")
        assert "Traceback" not in told, told
        assert code in (0, 1, 2)
        assert told.strip() or page.exists()
        # The machine may be busy: what the usual case takes is allowed again.
        assert seconds < 2 * usual + SECONDS, (command, seconds, usual)
