"""A case too large to be held: read from its journal, to the same page, which is bounded and says so."""

from __future__ import annotations

import cProfile
import gc
import random
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from grammar.case.facts import CaseStarted
from grammar.case.loops import Loop
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.facts_on_disk import FactsOnDisk
from tests.support.stored_cases import store
from tests.tools.benchmark_fold import heard, sentence
from tests.tools.make_large_case import BEGAN, write
from tui.cli import main
from tui.pages.debrief.analysed_case import AnalysedCase
from tui.pages.debrief.communication import communication_parts
from tui.pages.debrief.content import Grid
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


def long_case(place: Path, count: int) -> StoredCase:
    """A case of so many facts, held, of sentences that come again as a team's do."""
    protocol = load_protocol("isolation-airway")
    net, draw = network(protocol), random.Random(1)
    said = [sentence(net, draw) for _ in range(100)]
    spoken = (heard(seq, said[seq % len(said)]) for seq in range(2, count + 1))
    began = CaseStarted(seq=1, wall=BEGAN.isoformat(), protocol="isolation-airway", weight_kg=70)
    return StoredCase(place, protocol, (began, *spoken), ())


def bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bound what is shown early, so that what is kept of each fact is all that grows."""
    monkeypatch.setattr("tui.pages.debrief.logbook.LOG_LINES", 50)
    monkeypatch.setattr("tui.pages.debrief.story.STORY_ROWS", 1)
    for name in ("ROWS", "ITEMS", "LINKS"):
        monkeypatch.setattr(f"tui.pages.debrief.capping.{name}", 20)
    monkeypatch.setattr("tui.pages.debrief.one_case.ITEMS", 20)


def test_a_fact_takes_at_most_700_bytes_of_memory_until_its_page_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A million fit into a gigabyte, of which the program, its libraries and a page take some 300 MB."""
    bounded(monkeypatch)

    def most(count: int) -> int:
        stored = long_case(tmp_path, count)
        gc.collect()  # else what Python collects meanwhile depends on what ran before
        tracemalloc.start()
        CaseDebrief(stored, (), sound=False).debrief()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    most(200)  # loads what is loaded once, and fills what is kept for all cases
    peaks = [most(count) for count in (2000, 4000, 8000)]
    first, second = (peaks[1] - peaks[0]) / 2000, (peaks[2] - peaks[1]) / 4000
    assert second < 700
    assert second < 1.2 * first  # no faster in a longer case; sequences grow by steps


def test_a_fact_takes_the_same_work_in_a_long_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in calls of functions, which another program on the machine does not change."""
    bounded(monkeypatch)

    def calls(count: int) -> int:
        stored = long_case(tmp_path, count)
        profile = cProfile.Profile()
        profile.runcall(lambda: CaseDebrief(stored, (), sound=False).debrief())
        return sum(entry.callcount for entry in profile.getstats())

    calls(200)
    counts = [calls(count) for count in (1000, 2000, 3000)]
    first, second = counts[1] - counts[0], counts[2] - counts[1]
    assert second < 1.15 * first


class CountedLoops(list[Loop]):
    """Loops that count how often they are gone through."""

    times = 0

    def __iter__(self) -> Iterator[Loop]:
        self.times += 1
        return super().__iter__()


def test_a_table_by_station_or_call_goes_through_the_calls_once_however_many_rows_it_has(
    tmp_path: Path,
) -> None:
    case = AnalysedCase(open_case(write(tmp_path, 400)), ())
    calls, orders = CountedLoops(case.calls), CountedLoops(case.orders)
    case.calls, case.orders = calls, orders
    tables = list(communication_parts(case))
    rows = max(len(table.rows) for table in tables if isinstance(table, Grid))
    assert rows > 10
    assert max(calls.times, orders.times) < rows
