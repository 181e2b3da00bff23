"""The FHIR export, read back by two FHIR libraries."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle
from fhirclient.models.bundle import Bundle as BundleR4

from grammar.case.facts import (
    CaseStarted,
    Confirmed,
    Heard,
)
from listener.storage.case_reader import StoredCase
from tests.support.exported_case import said
from tui.commands.export import written


def bundle(stored: StoredCase) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(written(stored, "fhir"))
    return found


def of_type(stored: StoredCase, kind: str) -> list[dict[str, Any]]:
    resources = [entry["resource"] for entry in bundle(stored)["entry"]]
    return [each for each in resources if each["resourceType"] == kind]


def test_the_bundle_is_accepted_as_r4(stored: StoredCase) -> None:
    """By fhirclient, whose models are those of R4 (4.0.1), and by fhir.resources, whose oldest of this
    line is R4B (4.3.0): that release left these resource types as they were in R4."""
    BundleR4(bundle(stored), strict=True)
    entries = Bundle(**bundle(stored)).entry or []
    kinds = [entry.resource.get_resource_type() for entry in entries if entry.resource]
    assert len(kinds) == len(bundle(stored)["entry"])
    assert set(kinds) == {
        *("MedicationRequest", "MedicationAdministration", "Task", "Observation"),
        *("Procedure", "Communication", "Provenance"),
    }


def test_an_order_is_a_request_that_its_administration_refers_to(stored: StoredCase) -> None:
    (order,) = of_type(stored, "MedicationRequest")
    urns = {json.dumps(e["resource"]): e["fullUrl"] for e in bundle(stored)["entry"]}
    assert (order["status"], order["intent"]) == ("completed", "order")
    assert order["medicationCodeableConcept"] == {"text": "ketamine"}
    (dosage,) = order["dosageInstruction"]
    assert dosage["doseAndRate"][0]["doseQuantity"]["value"] == 70
    (given,) = of_type(stored, "MedicationAdministration")
    assert given["request"] == {"reference": urns[json.dumps(order)]}
    (task,) = of_type(stored, "Task")
    assert task["status"] == "completed"
    assert task["focus"] == {"reference": urns[json.dumps(order)]}


def test_an_order_not_done_stays_active_and_one_taken_back_is_cancelled(stored: StoredCase) -> None:
    undone = replace(
        stored, facts=tuple(f for f in stored.facts if getattr(f, "text", "") != "ketamine in")
    )
    (order,) = of_type(undone, "MedicationRequest")
    assert order["status"] == "active"
    assert "Not reported given" in order["note"][0]["text"]
    (task,) = of_type(undone, "Task")
    assert (task["status"], task["businessStatus"]["text"]) == (
        "requested",
        "overdue, unconfirmed: only heard",
    )
    disregard = replace(said(4.5, "disregard"), seq=2)
    facts = (*stored.facts[:2], replace(disregard, seq=3), replace(stored.facts[-1], seq=4))
    (gone,) = of_type(replace(stored, facts=facts), "MedicationRequest")
    assert gone["status"] == "cancelled"


def test_what_was_only_heard_is_unconfirmed_until_a_person_stands_for_it(
    stored: StoredCase,
) -> None:
    kinds = ("MedicationAdministration", "Procedure", "Observation")
    only_heard = [one["status"] for kind in kinds for one in of_type(stored, kind)]
    assert only_heard == ["unknown", "unknown", "preliminary", "preliminary"]
    (given,) = of_type(stored, "MedicationAdministration")
    assert given["statusReason"][0]["text"].startswith("Heard by a machine")
    confirmed = [
        Confirmed(seq=len(stored.facts) + at, t=89, target=fact.seq)
        for at, fact in enumerate((f for f in stored.facts if isinstance(f, Heard)), start=1)
    ]
    by_people = replace(stored, facts=(*stored.facts, *confirmed))
    statuses = [one["status"] for kind in kinds for one in of_type(by_people, kind)]
    assert statuses == ["completed", "completed", "final", "final", "final"]


def test_vital_signs_hold_to_the_profile_of_r4(stored: StoredCase) -> None:
    """The elements that FHIR R4's vital-signs profile and those of oxygen saturation and blood pressure
    ask for (hl7.org/fhir/R4/observation-vitalsigns.html, the tables; read from memory). By the published
    definitions they are held in `test_fhir_validator.py`."""
    asked = {"59408-5": {"59408-5", "2708-6"}, "85354-9": {"85354-9"}}
    for one in of_type(stored, "Observation"):
        (category,) = one["category"][0]["coding"]
        assert category["system"].endswith("CodeSystem/observation-category")
        assert category["code"] == "vital-signs"
        codes = {coding["code"] for coding in one["code"]["coding"]}
        assert codes in asked.values()
        assert one["subject"] and "T" in one["effectiveDateTime"]
        values = [part["valueQuantity"] for part in one.get("component", [one])]
        for value in values:
            assert value["system"] == "http://unitsofmeasure.org"
            assert value["code"] == ("%" if "2708-6" in codes else "mm[Hg]")
        if "85354-9" in codes:
            parts = [part["code"]["coding"][0]["code"] for part in one["component"]]
            assert parts == ["8480-6", "8462-4"]


def test_a_dose_and_vital_signs_carry_codes_and_units(stored: StoredCase) -> None:
    (dose,) = of_type(stored, "MedicationAdministration")
    assert dose["medicationCodeableConcept"] == {"text": "ketamine"}
    ucum = "http://unitsofmeasure.org"
    assert dose["dosage"]["dose"] == {"value": 70, "unit": "mg", "system": ucum, "code": "mg"}
    assert dose["effectiveDateTime"] == "2026-01-02T10:00:12.000+00:00"
    saturation, pressure = of_type(stored, "Observation")
    assert saturation["code"]["coding"][0] == {"system": "http://loinc.org", "code": "59408-5"}
    assert saturation["valueQuantity"]["value"] == 93  # what was unsure counts for nothing yet
    assert pressure["code"]["coding"][0]["code"] == "85354-9"
    parts = [
        (part["code"]["coding"][0]["code"], part["valueQuantity"]["value"])
        for part in pressure["component"]
    ]
    assert parts == [("8480-6", 130), ("8462-4", 80)]
    assert {part["valueQuantity"]["code"] for part in pressure["component"]} == {"mm[Hg]"}


def test_an_answer_points_to_its_call_and_an_attempt_has_its_time(stored: StoredCase) -> None:
    order, answer, *_ = of_type(stored, "Communication")
    urns = {
        e["resource"]["sent"]: e["fullUrl"]
        for e in bundle(stored)["entry"]
        if "sent" in e["resource"]
    }
    assert answer["inResponseTo"] == [{"reference": urns[order["sent"]]}]
    assert "amended" in answer["note"][0]["text"]
    (attempt,) = of_type(stored, "Procedure")
    assert attempt["status"] == "unknown"  # only heard; its outcome stands in words
    assert attempt["outcome"]["text"].startswith("placed")
    assert attempt["performedPeriod"]["end"] == "2026-01-02T10:01:10.000+00:00"


def test_nobody_and_nothing_gets_an_identifier(stored: StoredCase) -> None:
    def walk(value: object) -> None:
        if isinstance(value, dict):
            assert not {"identifier", "id"} & set(value)
            for each in value.values():
                walk(each)
        elif isinstance(value, list):
            for each in value:
                walk(each)

    walk(bundle(stored))
    links = json.dumps(bundle(stored))
    urls = {entry["fullUrl"] for entry in bundle(stored)["entry"]}
    assert links.count('"reference"') > 0
    for resource in (entry["resource"] for entry in bundle(stored)["entry"]):
        for target in (*resource.get("target", ()), *resource.get("inResponseTo", ())):
            assert target["reference"] in urls


def test_a_case_that_does_not_say_when_it_began_has_no_fhir_export(stored: StoredCase) -> None:
    start = stored.facts[0]
    assert isinstance(start, CaseStarted)
    nameless = replace(stored, facts=(replace(start, wall=""), *stored.facts[1:]))
    with pytest.raises(Exception, match="when it began"):
        written(nameless, "fhir")
    assert written(nameless, "csv")
