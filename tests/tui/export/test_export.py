"""Exports, read back by the programs they are meant for: a spreadsheet's reader, a caption reader,
a Markdown parser. `test_fhir.py` has FHIR."""

from __future__ import annotations

import csv
import io
import json
import stat
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import webvtt
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.case.facts import (
    CaseStarted,
    Heard,
)
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol, source_text
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import Journal
from tests.support.exported_case import said
from tests.support.stored_cases import BEGAN as DRILL_BEGAN
from tests.support.stored_cases import DRILL
from tui.cli import main
from tui.commands.export import FORMATS, written
from tui.export import md
from tui.export.csv import COLUMNS, safe

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


# ---------------------------------------------------------------------- Markdown


def test_the_record_shows_what_was_said_and_no_markup_of_its_own(stored: StoredCase) -> None:
    from markdown_it import MarkdownIt

    html = MarkdownIt("commonmark").enable("table").render(written(stored, "md"))
    assert "<h1>Record: Airway behind a closed door</h1>" in html
    assert "<td>seventy milligrams of ketamine (heard as: seventeen" in html
    assert "=HYPERLINK(&quot;x&quot;) | &lt;b&gt;--&gt; &amp; [31m red" in html
    assert "<b>" not in html and "<a " not in html
    assert html.count("<td>starting attempt</td>") == 1


@settings(deadline=None)  # the first time loads the parser
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
    journal = Journal.create(tmp_path, "isolation-airway", text, began=DRILL_BEGAN)
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
