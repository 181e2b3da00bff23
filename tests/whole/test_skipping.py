"""What is skipped for want of a program is counted and named, and CI, which has all, skips nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.needs import SHARED, missing_packages, reason
from tests.support.places import ROOT

FILE = """
import pytest
from tests.support.needs import SHARED, reason

def test_one():
    assert True

@pytest.mark.parametrize("n", [1, 2])
def test_two(n):
    pytest.skip(reason({need}))
"""


def run(place: Path, need: str, *options: str) -> subprocess.CompletedProcess[str]:
    (place / "test_skips.py").write_text(FILE.format(need=need), encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-n", "0", "-c", str(ROOT / "pyproject.toml")]
    command += ["--rootdir", str(ROOT), "-p", "tests.conftest", *options, str(place)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_a_missing_program_is_counted_named_and_forgiven(tmp_path: Path) -> None:
    done = run(tmp_path, repr("Debian's chromium"))
    assert done.returncode == 0, done.stdout
    assert "skipped: 2 tests: needs Debian's chromium" in done.stdout


def test_ci_forgives_no_missing_program(tmp_path: Path) -> None:
    done = run(tmp_path, repr("Debian's chromium"), "--nothing-skipped")
    assert done.returncode == 1, done.stdout


def test_ci_forgives_only_the_recordings_that_lie_beside_a_checkout(tmp_path: Path) -> None:
    done = run(tmp_path, "SHARED", "--nothing-skipped")
    assert done.returncode == 0, done.stdout
    assert f"skipped: 2 tests: {reason(SHARED)}" in done.stdout


def test_packages_of_missing_programs_are_named_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    assert missing_packages("pactl", "paplay", "strace") == "pulseaudio-utils, strace"
