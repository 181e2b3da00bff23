"""Where things lie in a checkout."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests"
README = ROOT / "README.md"
COMMANDS_PAGE = ROOT / "tui" / "commands" / "README.md"
DASHBOARD_PAGE = ROOT / "tui" / "dashboard" / "README.md"
CASES = TESTS / "cases"
"""Stored cases of earlier versions."""
DIALOGUES = TESTS / "dialogues"
SAMPLES = Path(str(files("sample_audio_synthetic")))
"""Of the package, which an installed wheel has elsewhere."""
