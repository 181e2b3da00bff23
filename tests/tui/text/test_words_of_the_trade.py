"""Words on the screen that somebody understands who has never seen the program. All are common practice of
the trade, no source, or plain English; none names a part of the program."""

from __future__ import annotations

import pytest

from grammar.case.facts import Entered
from tests.support.screens import case, desk, heard, protocol
from tui.dashboard.keys import TABLE
from tui.pages.handover import handover_page
from tui.pages.page import as_text
from tui.text.wording import FLAG_WORDS, call_in_words, kind_in_words, state_in_words, told_apart

CUFF = heard(10, "drugs nurse cuff up", "airway-operator")
DEVELOPERS = ("ear", "ears", "seal", "hash", "proword", "fold", "vosk", "facts")


def words(text: str) -> list[str]:
    return text.lower().replace("(", " ").replace(")", " ").replace(":", " ").split()


def test_nobody_is_said_to_owe_a_read_back_of_what_a_bare_copy_answers() -> None:
    assert state_in_words(protocol(), "cuff-up", "open") == "awaiting an answer"
    assert state_in_words(protocol(), "give-drug", "open") == "awaiting read-back"


async def test_an_announcement_awaits_an_answer_on_the_screen_and_in_the_handover() -> None:
    async with desk(case(CUFF), 12, (120, 40)) as seen:
        text = await seen.text()
        assert "awaiting an answer" in text
        assert "read-back" not in text
    page = as_text(handover_page(protocol(), case(CUFF).view(60)), 100)
    assert "nobody answered" in page
    assert "nobody read it back" not in page


@pytest.mark.parametrize(
    ("order", "report"), [("give-drug", "drug-given"), ("draw-up-drug", "drug-drawn-up")]
)
def test_an_order_and_its_report_differ_by_more_than_a_letter(order: str, report: str) -> None:
    slots = {"drug": "ketamine"}
    both = [
        told_apart(protocol(), each, call_in_words(protocol(), each, slots))
        for each in (order, report)
    ]
    assert both[0].startswith("ORDER: ")
    assert both[1].startswith("REPORT: ")
    assert kind_in_words(protocol(), "cuff-up") != kind_in_words(protocol(), order)


async def test_order_and_report_are_told_apart_in_the_palette_and_in_the_log() -> None:
    given = Entered(t=20, call="drug-given", slots=(("drug", "ketamine"),))
    ordered = heard(10, "drugs nurse give seventy milligrams of ketamine", "team-leader")
    async with desk(case(ordered, given), 30, (120, 40)) as seen:
        text = await seen.text()
        assert "00:10 ORDER Team leader" in text
        assert "00:20 REPORT Given ketamine" in text
        await seen.pilot.press("c")
        text = await seen.text()
        for name in ("ORDER: Give ", "REPORT: Given ", "ORDER: Draw up ", "REPORT: Drawn up "):
            assert name in text


def test_no_hash_stands_in_the_first_lines_of_a_handover() -> None:
    page = as_text(handover_page(protocol(), case(CUFF).view(60), head="ab" * 32), 100)
    first, last = page[: len(page) // 2], page[len(page) // 2 :]
    assert "ab" * 32 not in first
    assert f"Check code {'ab' * 32}" in last


def test_no_key_and_no_mark_speaks_of_a_part_of_the_program() -> None:
    told = [key.what for key in TABLE] + [key.short for key in TABLE] + [*FLAG_WORDS.values()]
    assert not [text for text in told if set(words(text)) & set(DEVELOPERS)]


def test_one_verb_means_one_thing_in_footer_help_and_dialog() -> None:
    of = {key.id: key for key in TABLE}
    assert of["amend"].short == "put right"
    assert of["amend"].what.startswith("put right ")
    assert FLAG_WORDS["amended"] == "put right"


async def test_the_dialog_of_the_key_put_right_is_headed_put_right() -> None:
    async with desk(case(CUFF), 12, (120, 40)) as seen:
        await seen.text()
        await seen.pilot.press("a")
        assert str(seen.app.box.content).startswith("PUT RIGHT")
