"""Exports, read back by the programs they are meant for: a spreadsheet's reader, a caption reader,
two FHIR libraries, a Markdown parser."""

from __future__ import annotations

import csv
import io
import json
import stat
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import webvtt
from fhir.resources.R4B.bundle import Bundle
from fhirclient.models.bundle import Bundle as BundleR4
from hypothesis import given
from hypothesis import strategies as st

from grammar.case.facts import (
    Amended,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Entered,
    Fact,
    Heard,
    Noted,
    Withdrawn,
)
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol, source_text
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import Journal
from tests.support.stored_cases import BEGAN as DRILL_BEGAN
from tests.support.stored_cases import DRILL
from tui.cli import main
from tui.commands.export import FORMATS, written
from tui.export import md
from tui.export.csv import COLUMNS, safe

BEGAN = datetime(2026, 1, 2, 10, 0, tzinfo=UTC)


def said(t: float, words: str, confidence: float = 1.0) -> Heard:
    each = tuple(Word(word, t, t + 2, confidence) for word in words.split())
    return Heard(t=t, until=t + 2, words=each)


INVENTED: tuple[Fact, ...] = (
    CaseStarted(protocol="isolation-airway", wall=BEGAN.isoformat(), weight_kg=70, engine="vosk"),
    said(1, "drugs nurse this is team leader give seventy milligrams of ketamine"),  # 2
    said(6, "seventeen milligrams of ketamine"),  # 3, amended below
    said(12, "ketamine in"),
    said(20, "sats ninety four", confidence=0.2),  # 5, unsure
    said(24, "sats ninety three"),
    said(28, "pressure one thirty over eighty"),
    said(32, "room ready"),  # 8, withdrawn below
    said(36, "[unk]"),  # 9
    Entered(t=40, call="start-timer", slots=(("duration_s", 60.0),), sender="team-leader"),
    Noted(t=42, text='=HYPERLINK("x") | <b>--> & \x1b[31m red', mark=True),
    said(50, "starting attempt"),
    said(53, "copy"),
    said(70, "tube passed"),
    Amended(t=80, target=3, words="seventy milligrams of ketamine"),
    Withdrawn(t=81, target=8),
    CaseEnded(t=90),
)


@pytest.fixture
def stored(tmp_path: Path) -> StoredCase:
    text, _ = source_text("isolation-airway")
    journal = Journal.create(tmp_path, "isolation-airway", text, BEGAN)
    for fact in INVENTED:
        journal.append_next(fact)
    journal.close()
    return open_case(journal.folder)


# ---------------------------------------------------------------------- all of them


@pytest.mark.parametrize("form", FORMATS)
def test_every_export_says_what_was_unsure_amended_and_withdrawn(
    stored: StoredCase, form: str
) -> None:
    text = written(stored, form)
    assert "1 unsure, 1 amended by a person, 1 withdrawn by a person" in text
    assert "not a medical device" in text
    assert "personal data" in text
    assert "\x1b" not in text
    if form != "vtt":  # captions show the words as they stand now
        assert "seventeen milligrams of ketamine" in text


@pytest.mark.parametrize("form", FORMATS)
def test_the_same_case_gives_the_same_export(stored: StoredCase, form: str) -> None:
    assert written(stored, form) == written(open_case(stored.folder), form)


def test_a_file_is_its_user_s_own_and_none_is_overwritten(
    stored: StoredCase, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    out = tmp_path / "case.csv"
    argv = ["export", str(stored.folder), "--as", "csv", "--out", str(out)]
    assert main(argv) == 0
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert main(argv) == 2
    assert b"exists already" in capfdbinary.readouterr().err
    assert main(argv[:4]) == 0
    assert capfdbinary.readouterr().out == out.read_bytes()


@pytest.mark.parametrize(
    "argv", [["--as", "csv", "--offset", "3"], ["--as", "vtt", "--offset", "nan"], ["--as", "pdf"]]
)
def test_options_that_make_no_sense_are_refused(stored: StoredCase, argv: list[str]) -> None:
    try:
        code = main(["export", str(stored.folder), *argv])
    except SystemExit as exit_:
        code = exit_.code  # type: ignore[assignment]
    assert code == 2


# ---------------------------------------------------------------------- a spreadsheet


def rows(stored: StoredCase) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(written(stored, "csv"), newline="")))


def test_a_row_tells_each_utterance_and_what_became_of_it(stored: StoredCase) -> None:
    by_seq = {row["seq"]: row for row in rows(stored)}
    order = by_seq["2"]
    assert (order["from"], order["to"], order["call"]) == (
        "team-leader",
        "drugs-nurse",
        "give-drug",
    )
    assert (order["slots"], order["loop_state"]) == ("ketamine 70 mg", "closed")
    assert order["wall_time"] == "2026-01-02T10:00:01.000+00:00"
    assert by_seq["3"]["amended"] == "yes"
    assert by_seq["3"]["heard_as"] == "seventeen milligrams of ketamine"
    assert by_seq["5"]["unsure"] == "yes"
    assert by_seq["8"]["withdrawn"] == "yes"
    assert by_seq["10"]["kind"] == "entered"


def test_lines_end_and_quotes_double_as_rfc_4180_has_it(stored: StoredCase) -> None:
    text = written(stored, "csv")
    assert text.startswith(",".join(COLUMNS) + "\r\n")
    assert text.endswith("\r\n")
    assert '"\'=HYPERLINK(""x"") ' in text


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =1", "＝1"])
def test_no_cell_is_a_formula(cell: str) -> None:
    """The list of OWASP's page on CSV injection, with blanks before and full-width forms besides."""
    assert safe(cell) == f"'{cell}"
    assert safe("70 mg") == "70 mg"


@given(st.text())
def test_no_text_at_all_becomes_a_formula(text: str) -> None:
    assert not safe(text).lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


# ---------------------------------------------------------------------- JSON lines


def test_json_lines_keep_the_headless_contract(stored: StoredCase) -> None:
    lines = [json.loads(line) for line in written(stored, "jsonl").splitlines()]
    assert [lines[0]["kind"], lines[-1]["kind"]] == ["export", "summary"]
    assert lines[-1]["doses"][0]["amount"] == 70
    amended = next(line for line in lines if line.get("seq") == 3)
    assert amended["amended"] and amended["heard_as"] == "seventeen milligrams of ketamine"
    assert next(line for line in lines if line.get("seq") == 8)["withdrawn"]


# ---------------------------------------------------------------------- captions


def captions(stored: StoredCase, offset: float = 0.0) -> list[Any]:
    return list(webvtt.from_string(written(stored, "vtt", offset)).captions)


def test_captions_are_read_back_with_speaker_time_and_standing(stored: StoredCase) -> None:
    found = captions(stored)
    assert (found[0].start, found[0].end) == ("00:00:01.000", "00:00:03.000")
    assert found[0].voice == "Team leader"
    assert found[1].text == "seventy milligrams of ketamine [amended]"
    assert found[3].text == "sats ninety four [unsure]"
    assert "room ready" not in " ".join(cue.text for cue in found)  # it was not said
    assert "[…]" in [cue.text for cue in found]


def test_captions_move_with_the_video(stored: StoredCase) -> None:
    later = captions(stored, offset=3661.5)
    assert later[0].start == "01:01:02.500"
    earlier = captions(stored, offset=-7.0)
    assert earlier[0].start == "00:00:00.000"  # begun a second before the video
    assert earlier[0].text.startswith("seventy")  # and the order before it is gone


def test_nothing_in_a_file_ends_a_caption_early(stored: StoredCase) -> None:
    heard = said(3, "a --> b <v nobody> & c")
    text = written(replace(stored, facts=(stored.facts[0], replace(heard, seq=2))), "vtt")
    (cue,) = webvtt.from_string(text).captions
    assert cue.raw_text == "a --&gt; b &lt;v nobody&gt; &amp; c"


# ---------------------------------------------------------------------- FHIR


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


# ---------------------------------------------------------------------- Markdown


def test_the_record_shows_what_was_said_and_no_markup_of_its_own(stored: StoredCase) -> None:
    from markdown_it import MarkdownIt

    html = MarkdownIt("commonmark").enable("table").render(written(stored, "md"))
    assert "<h1>Record: Airway behind a closed door</h1>" in html
    assert "<td>seventy milligrams of ketamine (heard as: seventeen" in html
    assert "=HYPERLINK(&quot;x&quot;) | &lt;b&gt;--&gt; &amp; [31m red" in html
    assert "<b>" not in html and "<a " not in html
    assert html.count("<td>starting attempt</td>") == 1


@given(st.text(min_size=1))
def test_any_text_is_shown_as_it_is(text: str) -> None:
    from markdown_it import MarkdownIt

    shown = MarkdownIt("commonmark").parse(f"x {md.escaped(text)}")
    assert [token.type for token in shown] == ["paragraph_open", "inline", "paragraph_close"]
    assert {child.type for child in shown[1].children or []} <= {"text", "text_special"}


@pytest.mark.parametrize("form", ["csv", "jsonl", "vtt", "md"])
@pytest.mark.parametrize("wall", ["in the morning", "9999-12-31T23:59:59Z", ""])
@pytest.mark.parametrize("t", [1.0, 1e308])
def test_a_case_from_elsewhere_that_names_no_time_there_is_is_exported_all_the_same(
    form: str, wall: str, t: float
) -> None:
    """Found by `python -m tests.tools.fuzz exports`."""
    facts = (
        CaseStarted(seq=1, protocol="isolation-airway", wall=wall),
        Heard(seq=2, t=t, until=t + 1, words=(Word("ready", t, t + 1),)),
    )
    assert written(StoredCase(Path("case"), load_protocol("isolation-airway"), facts, ()), form)


def test_a_drill_says_so_in_every_format_and_is_test_data_in_every_resource(tmp_path: Path) -> None:
    text, _ = source_text("isolation-airway")
    journal = Journal.create(tmp_path, "isolation-airway", text, DRILL_BEGAN)
    start = CaseStarted(protocol="isolation-airway", wall=DRILL_BEGAN.isoformat(), drill=True)
    for fact in (start, *DRILL):
        journal.append_next(fact)
    journal.close()
    stored = open_case(journal.folder)
    for form in ("csv", "jsonl", "vtt", "md"):
        assert "This is a DRILL: no patient." in written(stored, form)
    bundle = json.loads(written(stored, "fhir"))
    for resource in (bundle, *(entry["resource"] for entry in bundle["entry"])):
        assert [tag["code"] for tag in resource["meta"]["tag"]] == ["HTEST"]
    saturations = [
        entry["resource"]["code"]["coding"]
        for entry in bundle["entry"]
        if entry["resource"].get("code", {}).get("text") == "SpO2"
    ]
    assert saturations
    for codings in saturations:
        assert [coding["code"] for coding in codings] == ["59408-5", "2708-6"]
