"""The samples, heard by the real recogniser, against their truth."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tui.cli import main


def heard(
    sample: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> list[dict[str, object]]:
    assert main(["demo", sample, "--json", "--cases", str(tmp_path)]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_the_quick_clip_shows_the_call_that_nobody_answers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = heard("quick-clip", tmp_path, capsys)
    loops = lines[-1]["loops"]
    assert isinstance(loops, list)
    assert [(x["call"], x["state"]) for x in loops] == [
        ("radio-check", "unanswered"),
        ("give-drug", "closed"),
        ("start-timer", "closed"),
    ]
