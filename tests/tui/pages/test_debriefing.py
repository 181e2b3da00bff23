"""Debriefs of one case and of many: what they say, what they keep, and what they do with damaged cases."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grammar.case.facts import CaseEnded, Fact
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from grammar.reports.measures import curve
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import JOURNAL
from tests.support.screens import heard
from tests.support.stored_cases import BEGAN, DRILL, store
from tests.tools.benchmark_debrief import facts as facts_of_half_an_hour
from tui.cli import main
from tui.commands.debrief_report import folders, read_all
from tui.pages.debrief.drawing import steps_of, ticks
from tui.pages.debrief.groups import ListedCase
from tui.pages.debrief.html import as_html
from tui.pages.debrief.in_words import compared_in_words, time_in_words
from tui.pages.debrief.many_cases import ManyCases
from tui.pages.debrief.moments import moments
from tui.pages.debrief.one_case import CaseDebrief
from tui.pages.debrief.sound import LONGEST_S, clip
from tui.pages.debrief.summary import observations, summarise, wait_key
from tui.pages.debrief.summary_cache import SummaryCache
from tui.pages.parallel_work import spread

CALM: tuple[Fact, ...] = (
    heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"),
    heard(16, "ketamine ninety milligrams", "drugs-nurse"),
    CaseEnded(t=60.0),
)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def cases(tmp_path: Path) -> Path:
    """Two teams; the one in the north has a good day after a bad one, and a damaged case."""
    place = tmp_path / "cases"
    place.mkdir()
    store(place / "north", DRILL, 0)
    store(place / "north", CALM, 40)
    store(place / "south", DRILL, 20)
    damaged = store(place / "north", CALM, 60)
    (damaged / JOURNAL).write_bytes(b"not a database at all" * 100)
    return place


def answered(*argv: str, capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    assert main(["debrief", *argv]) == 0
    told = capsys.readouterr()
    return told.out, told.err


def test_one_case_is_told_in_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # As wide as its lines, whatever the tests run in: a narrower one breaks cells of a row side by side.
    monkeypatch.setenv("COLUMNS", "100")
    out, _ = answered(str(store(tmp_path)), capsys=capsys)
    out = " ".join(out.split())
    assert "called 50 mg, read back 15 mg" in out
    assert "ketamine" in out
    assert "not a medical device" in out
    assert "\x1b" not in out


def test_the_numbers_of_one_case_are_those_of_its_measures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = store(tmp_path)
    out, _ = answered(str(folder), "--json", capsys=capsys)
    found = json.loads(out)
    debrief = CaseDebrief(open_case(folder), (), sound=False)
    closed = debrief.measures.orders.closed
    assert found["shares"]["closed"] == [closed.count, closed.total]
    told = debrief.measures.others.clean
    assert found["announcements"]["clean"] == [told.count, told.total]
    assert len(found["read_back"]) == len(debrief.measures.read_back)
    assert [m["kind"] for m in found["moments"]] == [m.kind for m in debrief.moments]


def test_each_number_of_a_summary_is_as_many_things_as_stand_behind_it(tmp_path: Path) -> None:
    found = summarise(store(tmp_path))

    def behind(key: str) -> int:
        return sum(key in one.counts for one in found.counted)

    for name, (count, total) in found.shares.items():
        assert (behind(name), behind("call")) == (count, total), name
    assert behind("unanswered") == found.moments.get("unanswered", 0)
    assert behind("differed") == found.moments["differs"]
    assert (behind("told-clean"), behind("told")) == found.announcements["clean"]
    assert behind("finding") == found.moments.get("finding", 0)
    assert behind("attempt") == found.attempts == 1
    assert behind("order-closed") == len(found.done_closed) > 0
    assert behind("order-open") == len(found.done_not_closed) > 0
    assert behind("done") == sum(seen for _, seen in found.done) > 0
    assert [behind(wait_key(title)) for title in found.waits] == [*map(len, found.waits.values())]
    assert behind("wait") > 0


def test_what_is_kept_of_a_case_holds_none_of_its_words(tmp_path: Path) -> None:
    folder, stock = store(tmp_path), SummaryCache()
    read_all([folder], stock)
    kept = "".join(file.read_text(encoding="utf-8") for file in stock.place.iterdir())
    assert "call" in kept
    assert "ketamine" not in kept
    assert "bougie" not in kept


def test_every_fact_named_anywhere_stands_in_the_log(tmp_path: Path) -> None:
    stored = open_case(store(tmp_path))
    debrief = CaseDebrief(stored, (), sound=False).debrief()
    log = next(part for s in debrief.sections if s.id == "log" for part in s.parts)
    assert [line.fact for line in log.lines] == [fact.seq for fact in stored.facts]  # type: ignore[union-attr]


def test_a_call_never_answered_a_late_one_and_a_differing_one_are_moments(tmp_path: Path) -> None:
    stored = open_case(store(tmp_path))
    found = moments(stored.protocol, stored.case().view(stored.end))
    kinds = [moment.kind for moment in found]
    assert "differs" in kinds
    assert "late" in kinds
    assert "mark" in kinds
    assert [m.t for m in found] == sorted(m.t for m in found)


def test_many_cases_are_put_together_by_team_and_by_date(
    cases: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, err = answered(str(cases), "--before", "2026-01-15", "--json", capsys=capsys)
    found: dict[str, Any] = json.loads(out)
    assert [each["team"] for each in found["cases"]] == ["north", "south", "north"]
    before, after = found["groups"]["Before and after"].values()
    assert (before["cases"], after["cases"]) == (1, 2)
    assert set(found["groups"]["Teams"]) == {"north", "south"}
    total = found["all"]["shares"]["closed"]["total"]
    assert total == before["shares"]["closed"]["total"] + after["shares"]["closed"]["total"]
    assert "2026-03-03" in err  # the damaged one is named, and left out
    assert [name.startswith("north/2026-03-03") for name in found["left_out"]] == [True]


def test_cases_beside_folders_of_cases_all_count_and_each_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "all"
    place.mkdir()
    store(place / "north", days=1)
    loose = store(place, days=2)
    (place / "link").symlink_to(loose)
    shutil.copytree(loose, place / "south" / loose.name)
    out, err = answered(str(place), str(place / "north"), str(loose), "--json", capsys=capsys)
    found: dict[str, Any] = json.loads(out)
    assert [each["began"][:10] for each in found["cases"]] == ["2026-01-03", "2026-01-04"]
    assert "3 given more than once" in err  # the link, the folder in its parent, the case itself
    assert f"south/{loose.name} is the same case as" in err


def test_a_line_over_time_joins_only_like_with_like_and_says_whom(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    played = (("north", "fire"), ("north", "fire"), ("north", "ward"), ("north", ""), ("north", ""))
    place = tmp_path / "all"
    place.mkdir()
    for day, (team, scenario) in enumerate((*played, ("south", "fire"), ("south", "fire"))):
        store(place / team, days=day, scenario=scenario)

    def joined(*argv: str) -> list[tuple[str, int]]:
        """The lines of each drawing: the name of each, and how many cases it joins."""
        page = tmp_path / "page.html"
        answered(str(place), *argv, "--html", str(page), "--replace", capsys=capsys)
        line = r'<path d="(M[^"]+)" class="trend"/><text x="[^"]+" y="([^"]+)"[^>]*>([^<]*)<'
        found = re.findall(line, page.read_text(encoding="utf-8"))
        # Letters of 11 units stand above their line: a name at 100 % is not cut off.
        assert all(float(baseline) > 11 for _, baseline, _ in found)
        return [(name, steps.count("L") + 1) for steps, _, name in found]

    drawings = 3
    assert joined() == [("north, fire", 2), ("south, fire", 2)] * drawings
    assert joined("--join-teams") == [("fire", 4)] * drawings


def test_many_cases_are_told_in_the_terminal_and_as_a_page(
    cases: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, _ = answered(str(cases), "--before", "2026-01-15", capsys=capsys)
    assert "3 cases" in out
    assert "Length of an attempt" in out and "12.0 s, once" in out
    assert "log-rank p" in out or "Too few" in out
    assert "cannot be read" in out
    page = tmp_path / "page.html"
    answered(str(cases), "--html", str(page), capsys=capsys)
    assert "Content-Security-Policy" in page.read_text(encoding="utf-8")


def test_where_a_case_goes_away_its_numbers_stay_and_its_words_are_said_to_be_missing(
    cases: Path,
) -> None:
    found, damaged = read_all([folder for _, folder in folders(cases)], SummaryCache())
    told = [ListedCase(summary, folder.parent.name, folder) for folder, summary in found.items()]
    gone = told[0]
    (gone.folder / JOURNAL).unlink()
    page = as_html(ManyCases(told, damaged, None).debrief())
    assert page.count("its words cannot be read") == 1
    assert "give ketamine ninety milligrams" in page


def test_a_case_is_read_once_and_again_when_it_changed(
    cases: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = [folder for _, folder in folders(cases)]
    stock = SummaryCache()
    first, damaged = read_all(every, stock)
    assert (len(first), len(damaged)) == (3, 1)
    assert {folder: stock.kept(folder) for folder in first} == first
    for file in stock.place.iterdir():
        assert file.stat().st_mode & 0o777 == 0o600
    changed = next(iter(first))
    os.utime(changed / JOURNAL, ns=(1, 1))
    assert stock.kept(changed) is None
    second, _ = read_all(every, stock)
    assert second == first
    monkeypatch.setattr("tui.pages.debrief.summary_cache.code_version", lambda: "another")
    assert all(stock.kept(folder) is None for folder in first)


def test_a_page_of_half_an_hour_stays_far_below_five_megabytes(tmp_path: Path) -> None:
    """A team that says something every four seconds; `benchmark_debrief.py` prints how long it takes."""
    protocol = load_protocol("isolation-airway")
    made = facts_of_half_an_hour(network(protocol), random.Random(1), BEGAN)
    stored = StoredCase(
        tmp_path, protocol, tuple(replace(fact, seq=at) for at, fact in enumerate(made, 1)), ()
    )
    assert stored.end == 1800
    page = as_html(CaseDebrief(stored, (), sound=False).debrief())
    assert 100_000 < len(page.encode()) < 1_000_000


def test_a_damaged_summary_is_made_anew(cases: Path) -> None:
    stock = SummaryCache()
    every = [folder for _, folder in folders(cases)]
    first, _ = read_all(every, stock)
    for file in stock.place.iterdir():
        file.write_text("{")
    assert read_all(every, stock)[0] == first


@pytest.mark.slow
def test_a_cluster_comes_to_the_same_as_this_machine(cases: Path) -> None:
    from distributed import LocalCluster

    every = [folder for _, folder in folders(cases)]
    here, damaged = read_all(every, SummaryCache(cases / "a"))
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        there, left = read_all(every, SummaryCache(cases / "b"), cluster.scheduler_address)
    assert there == here
    assert left == damaged


def test_a_cluster_that_is_not_there_is_named(
    cases: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tui.pages.parallel_work.PATIENCE_S", 0.3)
    assert main(["debrief", str(cases), "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("argv", "says"),
    [(["nowhere"], "no case folder"), (["here", "--before", "soon"], "no date")],
)
def test_what_a_user_can_mend_is_said(
    tmp_path: Path, argv: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        code = main(["debrief", str(tmp_path / argv[0]), *argv[1:]])
    except SystemExit as left:
        code = int(str(left.code))
    assert code == 2
    assert says in capsys.readouterr().err


def _double(number: int) -> int:
    if number == 3:
        raise ZeroDivisionError("three")
    return 2 * number


def test_one_that_fails_stops_no_other() -> None:
    done = {each.item: each for each in spread(_double, list(range(6)), "doubling")}
    assert {n: each.result for n, each in done.items() if n != 3} == {0: 0, 1: 2, 2: 4, 4: 8, 5: 10}
    assert done[3].failure == "ZeroDivisionError: three"


def test_the_sound_of_a_moment_is_short_and_absent_where_none_was_kept(tmp_path: Path) -> None:
    import base64
    import io

    import soundfile

    kept = open_case(store(tmp_path / "a", sound=True))
    uri = clip(kept, [(1.0, 20.0), (22.0, 90.0)])
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(uri.partition(",")[2])))
    assert len(sound) / rate == pytest.approx(LONGEST_S, abs=0.2)
    assert np.abs(sound).max() > 0.05
    assert clip(open_case(store(tmp_path / "b")), [(1.0, 2.0)]) == ""


def test_a_summary_holds_the_times_that_the_curve_is_drawn_from(tmp_path: Path) -> None:
    folder = store(tmp_path)
    whole = CaseDebrief(open_case(folder), (), sound=False).measures.read_back
    kept = curve(observations(summarise(folder).read_back))
    assert kept.median == pytest.approx(curve(whole).median, abs=1e-3)
    assert " s" in time_in_words(observations(summarise(folder).read_back))


def test_an_empty_comparison_says_so() -> None:
    from grammar.reports.measures import compare

    assert compared_in_words(compare([], [])).startswith("Nothing to compare")


def test_ticks_are_round_and_few() -> None:
    assert ticks(0, 10, 8) == [0, 2, 4, 6, 8, 10]
    assert ticks(180, 360, 9) == [180, 200, 220, 240, 260, 280, 300, 320, 340, 360]
    assert steps_of([(0, 1), (2, 3)]) == "M0.0 1.0H2.0V3.0"
