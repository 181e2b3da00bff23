"""The page before a case and the page after it, as text and as HTML that prints on one sheet."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import pytest

from grammar.protocol.loading import load_protocol, parse_protocol, shipped, source_text
from grammar.protocol.model import Drug
from grammar.protocol.templates import parse_template
from grammar.reports.briefing import in_short, sheet_dose
from grammar.reports.handover import handover
from tests.grammar.case.test_record import case_of
from tests.support.needs import program
from tui.cli import main
from tui.pages.briefing import briefing
from tui.pages.handover import handover_page
from tui.pages.page import NO_BREAK, Page, Table, as_html, as_text


def rows(page: Page, title: str) -> dict[str, tuple[str, ...]]:
    """The rows of one table by their first cell."""
    found = next(table for table in page.tables if table.title.startswith(title))
    return {row[0]: row[1:] for row in found.rows}


# ---------------------------------------------------------------------- the briefing


def drug(**fields: object) -> Drug:
    sheet = {"id": "rocuronium", "spoken": ("rocuronium",), "unit": "mg", **fields}
    return Drug.model_validate(sheet)


def test_a_planned_dose_per_kilogram_is_shown_in_mg_and_in_ml_of_the_concentration() -> None:
    """0.6 to 1.2 mg/kg of rocuronium: US prescribing information, section 2."""
    sheet = drug(
        concentration={"amount": 10, "unit": "mg"},
        range={"low": 0.6, "high": 1.2, "unit": "mg"},
        planned={"amount": 1.2, "unit": "mg"},
    )
    found = sheet_dose(sheet, 70)
    assert (found.amount, found.ml) == (Decimal(84), Decimal("8.4"))
    assert (found.low, found.high) == (Decimal(42), Decimal(84))


def test_without_a_weight_nothing_per_kilogram_is_worked_out() -> None:
    sheet = drug(range={"low": 1, "high": 2, "unit": "mg"}, planned={"amount": 1, "unit": "mg"})
    found = sheet_dose(sheet, None)
    assert (found.amount, found.ml, found.low) == (None, None, None)
    page = briefing(load_protocol("isolation-airway"), None)
    planned = rows(page, "What the sheet says")["rocuronium"][0]
    assert planned.replace(NO_BREAK, " ") == "1.2 mg/kg"


def test_a_plan_in_microgram_of_a_concentration_in_mg_keeps_its_units() -> None:
    sheet = drug(
        concentration={"amount": 0.1, "unit": "mg"},
        planned={"amount": 20, "unit": "microgram", "per_kg": False},
    )
    assert sheet_dose(sheet, None).ml == Decimal("0.2")


@pytest.mark.parametrize("name", shipped())
def test_a_briefing_has_every_station_drug_rule_checklist_and_call_of_the_protocol(
    name: str,
) -> None:
    protocol = load_protocol(name)
    text = " ".join(as_text(briefing(protocol, 70), 400).split())
    titles = [
        *(station.title for station in protocol.station),
        *(checklist.title for checklist in protocol.checklist),
        *(rule.title for rule in protocol.rule),
        *(call.title for call in protocol.call),
    ]
    for title in titles:
        assert title in text
    for each in protocol.drug:
        assert (each.title or each.id) in text
    assert "not advice" in text
    assert "not a medical device" in text


def test_the_plans_are_those_of_the_call_that_changes_them() -> None:
    plans = rows(briefing(load_protocol("isolation-airway"), 70), "Plans")
    names = [f"Plan{NO_BREAK}{letter}" for letter in "ABCD"]
    assert list(plans) == names
    assert "Supraglottic" in plans[names[1]][0]


def test_a_phrase_in_short_leaves_out_what_may_be_left_out() -> None:
    assert in_short(parse_template("(give|push) [the] {dose} [please]")) == "give ‹dose›"


# ---------------------------------------------------------------------- the handover


def test_a_handover_names_the_airway_drugs_trend_and_open_points() -> None:
    case = case_of(
        "give seventy milligrams of ketamine",
        "ketamine seventy",
        "ketamine in",
        "first attempt",
        "copy",
        "sats eighty four",
        "tube passed",
        "capnography confirmed",
        "copy",
        "sats ninety six",
        "tube at twenty two",
        "tube at twenty",
        "send in the bougie",
    )
    page = handover_page(case.protocol, case.view(400), facts=case.facts)
    airway = rows(page, "Airway")
    assert airway["Attempts"][0] == "1"
    assert airway["Depth"] == ("22 cm (OPEN: read-back differs)", "01:50")
    assert airway["Lowest SpO2"] == ("84 %", "01:00")
    assert rows(page, "Drugs") == {"00:30": ("ketamine", "70 mg, as ordered", "1 mg/kg", "7 mL")}
    assert rows(page, "Vital signs")["SpO2 %"][-1] == "84 96"
    points = [row for table in page.tables if table.title == "Open points" for row in table.rows]
    assert ("01:50", "read-back differs", "Tube depth 22 cm, read back as 20 cm") in points
    assert any(row[1] == "nobody read it back" and "bougie" in row[2] for row in points)


def test_differing_read_backs_stand_above_calls_that_only_wait() -> None:
    case = case_of("tube at twenty two", "tube at twenty", "send in the bougie", every=3)
    kinds = [point.kind for point in handover(case.protocol, case.view(10)).open_points]
    assert kinds == ["differs", "open", "pending"]


def test_a_case_without_anything_said_gives_a_page_that_says_so() -> None:
    case = case_of()
    text = as_text(handover_page(case.protocol, case.view(1), facts=case.facts), 100)
    assert "nobody yet" in text
    assert "not said" in text


# ---------------------------------------------------------------------- as text and as HTML


class Outside(HTMLParser):
    """Collects whatever a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, _tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("src", "href", "srcset")]


def test_a_page_fetches_nothing_and_shows_what_a_file_says_as_text() -> None:
    text, _ = source_text("isolation-airway")
    nasty = parse_protocol(text.replace('title = "Plan A"', 'title = "<script>x</script>"'))
    made = briefing(nasty, 70)
    made = replace(made, about=("\x1b[31m", *made.about))  # as if from elsewhere than a protocol
    page = as_html(made)
    assert "<script>" not in page
    assert "\x1b" not in page
    assert "&lt;script&gt;" in page
    outside = Outside()
    outside.feed(page)
    assert outside.found == []
    assert "url(" not in page
    assert "@import" not in page
    assert "\x1b" not in as_text(made, 100)


@pytest.mark.parametrize("width", [40, 80, 100, 200])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    text = as_text(briefing(load_protocol("isolation-airway"), 70), width)
    assert max(map(len, text.splitlines())) <= width


# A page of a line printer: 66 lines, at six to the inch of US letter paper (from memory).
PAGE_LINES = 66


@pytest.mark.parametrize("name", shipped())
def test_a_briefing_is_one_page_of_a_terminal_of_100_columns(name: str) -> None:
    assert len(as_text(briefing(load_protocol(name), 70), 100).splitlines()) < PAGE_LINES


@pytest.mark.parametrize("width", [40, 60, 80, 100, 120, 200])
def test_no_line_end_parts_a_dose_from_its_unit(width: int) -> None:
    text = as_text(briefing(load_protocol("isolation-airway"), 70), width)
    for figure in ("70 microgram", "50 microgram/mL", "0.7 to 21 mg", "(0.01 to 0.3/kg)"):
        assert figure in text


def test_a_briefing_without_empty_lines_leaves_none_of_its_words_out() -> None:
    page = briefing(load_protocol("isolation-airway"), 70)
    ends = re.compile(r"[\s;-]+")
    rows = [" ".join(row) for each in page.tables for row in each.rows]
    for width in (80, 100, 160):
        assert set(ends.split(" ".join(rows))) <= set(ends.split(as_text(page, width)))


def test_a_cell_too_long_for_its_column_goes_on_in_the_next_line() -> None:
    page = Page("t", (), (Table("x", ("a", "b"), (("one", "two three " * 12),)),), "c")
    lines = as_text(page, 40).splitlines()
    assert sum("two" in line for line in lines) > 1


def test_a_row_that_would_be_torn_into_columns_of_pieces_is_told_in_a_sentence() -> None:
    signs = ("sign", "first", "lowest", "highest", "last")
    row = ("Pressure", *(f"{each} at 12:34" for each in ("105/62", "96/55", "105/62", "96/55")))
    page = Page("t", (), (Table("x", signs, (row,)),), "c")
    assert "Pressure  105/62 at 12:34  96/55 at 12:34" in as_text(page, 100)
    told = as_text(page, 50)
    assert "Pressure: first 105/62 at 12:34;" in told
    assert all(f"{name} {cell}" in told for name, cell in zip(signs[1:], row[1:], strict=True))


@pytest.mark.slow
@program("chromium")
@pytest.mark.parametrize("name", shipped())
def test_a_briefing_prints_on_one_sheet(name: str, tmp_path: Path) -> None:
    html, pdf = tmp_path / "brief.html", tmp_path / "brief.pdf"
    assert main(["brief", name, "--weight-kg", "70", "--html", str(html)]) == 0
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--print-to-pdf={pdf}", html],
        check=True,
        capture_output=True,
        timeout=60,
    )
    assert len(re.findall(rb"/Type /Page\b", pdf.read_bytes())) == 1


def test_a_page_that_cannot_be_written_is_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["brief", "adult-arrest", "--html", str(tmp_path / "no" / "page.html")]) == 2
    assert "cannot be written" in capsys.readouterr().err


# ---------------------------------------------------------------------- on the dashboard


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (140, 45)])
async def test_a_key_shows_the_handover_over_the_dashboard_and_esc_closes_it(
    size: tuple[int, int],
) -> None:
    from tests.support.screens import case, desk, heard, shown_text

    shown = case(heard(5, "tube passed"), heard(9, "sats eighty four"))
    async with desk(shown, 30, size) as made:
        await made.pilot.press("o")
        await made.pilot.pause(0.3)
        text = shown_text(made.app)
        assert "HANDOVER" in text
        for _ in range(12):
            if "Lowest SpO2" not in text:
                await made.pilot.press("pagedown")
                await made.pilot.pause(0.2)
                text = shown_text(made.app)
        assert "Lowest SpO2" in text
        await made.pilot.press("escape")
        await made.pilot.pause(0.3)
        assert "HANDOVER" not in await made.text()
