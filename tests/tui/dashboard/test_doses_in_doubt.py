"""A dose in doubt, or one that nobody said, looks so wherever it stands."""

from __future__ import annotations

import pytest
from textual.content import Content

from grammar.case.facts import Entered
from tests.support.screens import case, desk, heard
from tui.dashboard.widgets.large import large, largest
from tui.dashboard.widgets.urgent import UrgentLine
from tui.pages.handover import handover_page

ORDER = "drugs nurse give seventy milligrams of ketamine"
UNSURE = heard(10, ORDER, "team-leader", 0.3)
SURE = heard(10, ORDER, "team-leader")
GIVEN = heard(20, "ketamine is in", "drugs-nurse")


@pytest.mark.parametrize(
    ("size", "drawn"), [((80, 24), None), ((120, 40), large), ((200, 60), largest)]
)
async def test_a_doubtful_dose_stands_in_words_alone_and_its_doubt_large(
    size: tuple[int, int], drawn: object
) -> None:
    async with desk(case(UNSURE), 15, size=size) as seen:
        await seen.text()
        rows = seen.app.query_one(UrgentLine).content
        text = str(rows)
        assert "(unsure)" in text
        assert "ketamine 70 mg" in text
        if callable(drawn):
            assert text.count("mg") == 1, "a glance takes large digits for certain"
            for row, sign in zip(text.split("\n"), drawn("?"), strict=True):
                assert sign.rstrip() in row
            assert isinstance(rows, Content)
            words = [
                span.style
                for line in rows.split("\n")
                for span in line.spans
                if "(unsure)" in line.plain[span.start : span.end]
            ]
            assert "bold $urgent" in words, "the doubt's colour in the log"


async def test_large_digits_of_a_sure_dose_bear_none() -> None:
    async with desk(
        case(heard(10, "drugs nurse give 100 mg of rocuronium")), 15, size=(120, 40)
    ) as s:
        assert "(unsure)" not in await s.text()


@pytest.mark.parametrize("size", [(120, 40), (200, 60)])
async def test_a_number_with_a_twin_is_unclear_until_it_is_read_back(size: tuple[int, int]) -> None:
    async with desk(case(SURE), 15, size=size) as seen:
        await seen.text()
        assert "unclear)" in str(seen.app.query_one(UrgentLine).content)
        assert "Give ketamine 70 mg (number unclear)" in await seen.text()
    said = case(SURE, heard(16, "seventy milligrams of ketamine", "drugs-nurse"))
    async with desk(said, 22, size=size) as seen:
        assert "(number unclear)" not in (await seen.text()).partition("LOG")[0]


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_a_dose_that_the_report_did_not_name_says_that_it_is_the_order_s(
    size: tuple[int, int],
) -> None:
    answered = heard(16, "seventy milligrams of ketamine", "drugs-nurse")
    async with desk(case(SURE, answered, GIVEN), 30, size=size) as seen:
        text = " ".join((await seen.text()).replace("│", " ").split())
        assert "ketamine 70 mg as" in text and "ordered" in text
        page = handover_page(seen.case.protocol, seen.case.view(30))
        (drugs,) = (table for table in page.tables if table.title == "Drugs reported given")
        assert drugs.rows[0][2] == "70 mg, as ordered"
    named = heard(20, "seventy milligrams of ketamine given", "drugs-nurse")
    async with desk(case(SURE, answered, named), 30, size=size) as seen:
        assert "ordered" not in (await seen.text()).partition("DOSES")[2]


async def test_beside_the_dose_of_an_order_stands_that_it_was_read_back_otherwise() -> None:
    wrong = heard(16, "give seventeen milligrams of ketamine", "drugs-nurse")
    async with desk(case(SURE, wrong, GIVEN), 30, size=(120, 40)) as seen:
        assert "ketamine 70 mg as ordered ≠ read back" in await seen.text()
        page = handover_page(seen.case.protocol, seen.case.view(30))
        (drugs,) = (table for table in page.tables if table.title == "Drugs reported given")
        assert drugs.rows[0][2] == "70 mg, as ordered, ≠ read back 17 mg"


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
async def test_a_dose_entered_late_stands_at_the_time_at_which_it_was_given(
    size: tuple[int, int],
) -> None:
    later = heard(40, "seventy milligrams of ketamine is in", "drugs-nurse")
    slots = (("drug", "midazolam"), ("amount", 2), ("unit", "mg"))
    async with desk(
        case(later, Entered(t=20, call="drug-given", slots=slots)), 60, size=size
    ) as seen:
        text = await seen.text()
        given = text[text.index("DOSES GIVEN") :]
        assert given.index("ketamine 70 mg") < given.index("midazolam 2 mg"), "the latest first"
