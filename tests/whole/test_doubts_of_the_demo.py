"""The doubtful clip leaves a person what to settle, with either ear: the real recognisers hear it.

"Fifteen, five zero" is the slip of the trade's own example (Pennsylvania Patient Safety Advisory, June
2006: 15 mg heard as 50 mg); that digits are said as well, and then disagree, is our own example.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from listener.recognition.whisper_files import sure_model
from tests.support.drills import HeardDrills
from tests.support.needs import module
from tests.support.places import SAMPLES as SOUNDS
from tui.commands.hear import SAMPLES

COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]


def heard_by_both(cases: Path) -> list[Mapping[str, Any]]:
    """Return the lines that the program told of the clip with both ears."""
    ran = subprocess.run(
        [*COMMAND, "demo", "doubtful-clip", "--json", "--no-audio", "--cases", str(cases)],
        env={**os.environ, "ANSWERBACK_EARS": "both"},
        capture_output=True,
        text=True,
        check=True,
    )
    return [json.loads(line) for line in ran.stdout.splitlines()]


@pytest.mark.parametrize("ears", ["quick", "both"])
def test_two_numbers_and_a_possible_call_for_help_stay_in_doubt(
    ears: str, heard_drill: HeardDrills, tmp_path: Path
) -> None:
    if ears == "both":
        module("faster_whisper", "people")
        assert sure_model(), "the extra `people` brings the weights"
    told = heard_by_both(tmp_path) if ears == "both" else heard_drill("doubtful-clip").told
    at_the_end = {line["seq"]: line for line in told if line["kind"] == "utterance"}
    lines = at_the_end.values()
    unclear = [
        (line["call"], line["unsure"]) for line in lines if "number-conflict" in line["flags"]
    ]
    assert unclear == [("heart-rate", True), ("give-drug", True)]
    truth = tomllib.loads((SOUNDS / "doubtful-clip.toml").read_text(encoding="utf-8"))
    planted = [each["t"] for each in truth["expect"]["faults"] if each["kind"] == "possible-help"]
    assert [line["t"] for line in lines if "possible-help" in line["flags"]] == pytest.approx(
        planted, abs=0.3
    )


def test_the_help_of_the_command_says_what_each_drill_is_for() -> None:
    told = subprocess.run(
        [*COMMAND, "demo", "--help"],
        env={**os.environ, "COLUMNS": "999"},
        capture_output=True,
        text=True,
        check=True,
    )
    words = " ".join(told.stdout.split())
    assert all(f"{name}: {what}" in words for name, what in SAMPLES.items())
