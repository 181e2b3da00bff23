"""A case too large to be held: read from its journal, to the same page, which is bounded and says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from listener.storage.case_reader import open_case
from listener.storage.facts_on_disk import FactsOnDisk
from tests.support.stored_cases import store
from tests.tools.make_large_case import write
from tui.cli import main
from tui.pages.debrief.html import as_html
from tui.pages.debrief.one_case import CaseDebrief


def test_read_from_its_journal_it_comes_to_the_same_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = store(tmp_path)
    held = open_case(folder)
    monkeypatch.setattr("listener.storage.case_reader.HELD", 3)
    large = open_case(folder)
    assert isinstance(large.facts, FactsOnDisk)
    assert tuple(large.facts) == held.facts
    assert (large.facts[0], large.facts[-1]) == (held.facts[0], held.facts[-1])
    assert large.facts[2:5] == held.facts[2:5]
    assert large.of_kinds("amended") == held.of_kinds("amended") != []
    told: list[tuple[int, int]] = []
    large.facts.progress = lambda count, of: told.append((count, of))
    assert len(list(large.facts)) == len(held.facts) == told[0][1]
    with pytest.raises(IndexError):
        large.facts[len(held.facts)]
    pages = [as_html(CaseDebrief(case, (), sound=False).debrief()) for case in (held, large)]
    assert pages[0] == pages[1]


def test_the_page_of_a_long_case_is_bounded_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tui.pages.debrief.logbook.LOG_LINES", 100)
    monkeypatch.setattr("tui.pages.debrief.story.STORY_ROWS", 1)
    monkeypatch.setattr("tui.pages.debrief.capping.LINKS", 20)
    folder, page = write(tmp_path, 600), tmp_path / "page.html"
    assert main(["debrief", str(folder), "--html", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert "Only the first 100 of 600 facts are shown; the numbers count all of them." in text
    assert text.count('<tr id="f') == 100
    assert "Only the first 3 min are drawn." in text
    assert " more</span>" in text
