"""Every sample drill's Bundle passes the R4 core definitions, in the validator of npm's `fhir` 4.12.0.

The package carries the definitions of resources, data types and value sets that HL7 published as R4, and no
profile: the vital signs profile is held to in `test_export.py`.
"""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from grammar.case.facts import CaseStarted
from tests.support.drills import spoken_case
from tests.support.needs import node_package
from tests.support.places import ROOT
from tui.commands.export import written

BEGAN = "2026-01-02T10:00:00+01:00"
DRILLS = ("faulty-drill", "korean-drill", "quick-clip", "team-drill", "well-run-drill")


def validated(*bundles: Path) -> subprocess.CompletedProcess[str]:
    node_package("fhir")
    script = ROOT / "tests" / "tools" / "fhir_validator.js"
    return subprocess.run(
        ["node", script, *bundles], capture_output=True, text=True, cwd=ROOT, check=False
    )


def bundle(name: str, place: Path) -> Path:
    path, case = place / f"{name}.json", spoken_case(name, place / name)
    began = CaseStarted(
        seq=1, protocol=case.protocol.protocol.id, wall=BEGAN, weight_kg=70, drill=True
    )
    case = replace(case, facts=(began, *case.facts[1:]))
    path.write_text(written(case, "fhir"), encoding="utf-8")
    return path


def test_the_bundles_of_all_sample_drills_pass(tmp_path: Path) -> None:
    found = validated(*(bundle(name, tmp_path) for name in DRILLS))
    assert (found.returncode, found.stderr) == (0, ""), found.stdout
    assert found.stdout.count("resources looked at") == len(DRILLS)


@pytest.mark.parametrize("field", ["status", "code"])
def test_a_bundle_that_lacks_what_r4_asks_for_does_not(field: str, tmp_path: Path) -> None:
    path = bundle("quick-clip", tmp_path)
    whole: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    spoiled = [
        e["resource"] for e in whole["entry"] if e["resource"]["resourceType"] == "Observation"
    ]
    assert spoiled
    for each in spoiled:
        del each[field]
    path.write_text(json.dumps(whole), encoding="utf-8")
    found = validated(path)
    assert found.returncode == 1
    assert field in found.stdout
