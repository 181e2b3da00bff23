"""The page's agenda, headline and score of the faulty drill, as its script says it was spoken."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from grammar.case.facts import CaseStarted, Fact, Heard
from grammar.protocol.loading import load_protocol
from grammar.reports.measures import Observation, compare
from grammar.reports.objectives import objectives
from listener.storage.case_reader import StoredCase
from tests.support.drills import spoken, spoken_case
from tui.pages.debrief.content import Debrief, Figure, Grid, Items, Tiles
from tui.pages.debrief.html import as_html
from tui.pages.debrief.in_words import compared_in_words, not_ranked, ranked, time_in_words
from tui.pages.debrief.one_case import CaseDebrief


@pytest.fixture
def faulty(tmp_path: Path) -> Debrief:
    return CaseDebrief(spoken_case("faulty-drill", tmp_path), (), sound=False).debrief()


def section(found: Debrief, name: str) -> tuple[object, ...]:
    return next(each for each in found.sections if each.id == name).parts


def test_three_moments_one_of_them_good_each_with_its_words_and_an_open_question(
    faulty: Debrief,
) -> None:
    items = section(faulty, "agenda")[0]
    assert isinstance(items, Items)
    assert [item.badge for item in items.items].count("Went well") == 1
    assert [item.text[:24] for item in items.items] == [
        "Give ketamine 70 mg → Dr",
        "Give fentanyl 100 microg",
        "Give suxamethonium 100 m",
    ]
    for item in items.items:
        assert item.words and all("“" in line and ": " in line for line in item.words)
        assert item.question.split()[0] in ("What", "How", "Who")
        assert item.question.endswith("?")


def test_the_page_runs_from_the_agenda_to_the_log(faulty: Debrief) -> None:
    order = [each.id for each in faulty.sections]
    assert order[0] == "agenda"
    assert (
        order.index("story") < order.index("communication") < order.index("log") == len(order) - 1
    )


def test_the_headline_is_the_clean_loop_and_each_other_way_has_its_share(faulty: Debrief) -> None:
    tiles = section(faulty, "numbers")[0]
    assert isinstance(tiles, Tiles)
    told = {what: cell.text for what, cell in tiles.tiles}
    assert told["Clean loops, of all orders"].startswith("6 of 9, 67 %")
    assert told["Orders answered late"].startswith("1 of 9")
    assert told["Put right after a wrong read-back"].startswith("1 of 9")
    assert told["Answered by another"].startswith("0 of 9")
    assert told["Orders never answered rightly"].startswith("0 of 9")
    assert told["Clean, of announcements and reports"].startswith("15 of 16")
    assert told["Never answered, of announcements and reports"].startswith("1 of 16")
    assert (
        "Calls of any kind never answered" not in told
    )  # beside "0 of 9 orders" it read as a mistake
    assert "95 % interval" in tiles.note and "order asks" in tiles.note


def test_an_order_not_done_in_time_bears_both_its_times(faulty: Debrief) -> None:
    """The read-back of 17 mg was heard at the same moment as the time of fentanyl ran out."""
    items = section(faulty, "agenda")[0]
    assert isinstance(items, Items)
    found = next(item for item in items.items if item.badge == "Not reported done")
    assert found.when.text.startswith("02:19 to 03:2")
    assert "counted from its end, over at 03:2" in found.detail
    assert found.detail.endswith("never reported done")


def test_a_moment_of_the_agenda_is_not_told_again_below_it(faulty: Debrief) -> None:
    first, rest = section(faulty, "agenda")[0], section(faulty, "moments")[0]
    assert isinstance(first, Items) and isinstance(rest, Items)
    told = [(item.badge, item.text) for item in first.items]
    again = [(item.badge, item.text) for item in rest.items]
    assert not set(told) & set(again)
    badges = {badge for badge, _ in (*told, *again)}
    assert badges >= {
        "Not reported done",
        "Read-back differs",
        "Unanswered",
        "Answered late",
        "Said again",
    }
    intro = next(each.intro for each in faulty.sections if each.id == "moments")
    assert intro == "The 2 moments above that went otherwise are not told again."


def test_a_wrong_read_back_is_red_at_its_moment_though_it_was_put_right(faulty: Debrief) -> None:
    rows = [part for part in section(faulty, "story") if isinstance(part, Figure)]
    second = rows[2].svg
    assert 'class="said wrong"' in second
    assert 'class="loop differs"' in second
    assert 'class="said wrong"' not in rows[1].svg


def test_the_legend_shows_only_what_is_drawn(faulty: Debrief, tmp_path: Path) -> None:
    legend = next(part for part in section(faulty, "story") if isinstance(part, Figure)).svg
    assert "wrong read-back" in legend
    assert "mark or note" not in legend  # nobody marked anything
    calm = spoken_case("faulty-drill", tmp_path)
    calm = StoredCase(tmp_path, calm.protocol, calm.facts[:3], ())
    parts = section(CaseDebrief(calm, (), sound=False).debrief(), "story")
    quiet = next(part for part in parts if isinstance(part, Figure)).svg
    assert "call" in quiet and "answer" in quiet
    assert "wrong read-back" not in quiet and "unsure" not in quiet and "rule or limit" not in quiet


def test_objectives_of_the_protocol_and_of_the_briefing_say_what_the_log_shows(
    tmp_path: Path,
) -> None:
    facts: tuple[Fact, ...] = spoken("faulty-drill")
    assert isinstance(facts[0], CaseStarted)
    typed = ("Ketamine read back", "Everybody stays calm")
    stored = StoredCase(
        tmp_path,
        load_protocol("isolation-airway"),
        (replace(facts[0], objectives=typed), *facts[1:]),
        (),
    )
    table = section(CaseDebrief(stored, (), sound=False).debrief(), "objectives")[0]
    assert isinstance(table, Grid)
    told = {row[0].text: row[1] for row in table.rows}
    assert told["Ketamine read back"].text.startswith("2 of 3 clean, 1 put right")
    assert told["Everybody stays calm"].text == "nothing that the log could tell: say what you saw"
    drugs = told["Every drug order is read back rightly at once and reported given"]
    assert drugs.text.startswith("4 of 5 clean, 1 put right; 4 of 5 reported done. ")
    assert "fentanyl 100 microgram, ordered at 02:19: not reported done" in drugs.text
    assert drugs.facts
    kept = told["The attempt is short, and capnography proves the tube"]
    titles = [rule.title for rule in stored.protocol.rule]
    assert kept.text.startswith("its rules were kept: ")
    assert set(kept.text.removeprefix("its rules were kept: ").split("; ")) <= set(titles)


def test_an_objective_that_nothing_tested_says_so(tmp_path: Path) -> None:
    stored = spoken_case("faulty-drill", tmp_path)
    view = StoredCase(tmp_path, stored.protocol, stored.facts[:4], ()).view()
    found = {one.title: one for one in objectives(stored.protocol, view, ())}
    assert not found["The attempt is short, and capnography proves the tube"].tested


def test_who_spoke_is_said_to_be_unknown_where_it_is(tmp_path: Path) -> None:
    stored = spoken_case("faulty-drill", tmp_path)
    nameless = tuple(replace(f, sender=None) if f.kind == "heard" else f for f in stored.facts)

    def page(facts: tuple[Fact, ...]) -> str:
        unnamed = StoredCase(tmp_path, stored.protocol, facts, ())
        return as_html(CaseDebrief(unnamed, (), sound=False).debrief())

    # The radio check names its speaker aloud; without it nobody is known.
    assert "Who spoke is not known of 8 of the 9 orders" in page(nameless)
    without = page((nameless[0], *nameless[3:]))
    assert "Who spoke is not known of any of the 8 orders" in without
    assert "speakers are not known" in without


# ---------------------------------------------------------------------- times in words


def times(*seconds: float) -> list[Observation]:
    return [Observation(value, True) for value in seconds]


def test_of_fewer_than_five_times_the_times_themselves_are_told() -> None:
    told = time_in_words([*times(3.04, 1.0), Observation(60.0, False)])
    assert told == "1.0 s, 3.0 s, never in 01:00"
    assert time_in_words(times(1, 2, 3, 4, 5)).startswith("3.0 s (")


def test_every_median_has_an_interval_or_a_range_beside_it() -> None:
    assert time_in_words(times(2, 2, 2, 2, 2, 2)) == "2.0 s (range 2.0 to 2.0 s)"
    assert " to " in time_in_words(times(*range(1, 30)))


def test_what_lies_within_the_resolution_is_not_ranked() -> None:
    near = times(1.0, 1.1, 1.2), times(1.3, 1.4, 1.5)
    assert not ranked(*near)
    assert "not ranked" in not_ranked("north", "south")
    assert ranked(times(1, 1, 1), times(2, 2, 2))


def test_a_comparison_carries_its_caution() -> None:
    from grammar.reports.measures import compare

    told = compared_in_words(compare(times(1, 2, 3, 4, 5, 6), times(3, 4, 5, 6, 7, 8)))
    assert "log-rank p" in told and "hazard ratio" in told
    assert "not independent" in told


def test_whoever_answered_unnamed_may_have_been_another(tmp_path: Path) -> None:
    """Speakers are not known of most drills: that nobody else answered is then not known either."""
    stored = spoken_case("faulty-drill", tmp_path)
    unnamed = tuple(
        replace(fact, sender=None) if isinstance(fact, Heard) else fact for fact in stored.facts
    )
    blind = StoredCase(tmp_path, stored.protocol, unnamed, ())
    found = CaseDebrief(blind, (), sound=False).debrief()
    tiles = section(found, "numbers")[0]
    assert isinstance(tiles, Tiles)
    told = dict(tiles.tiles)["Answered by another"].text
    # Of nine answers one says whose it is: "this is anteroom, I read you".
    assert told.endswith("; who answered is not known of 8")


def test_a_comparison_of_one_group_says_which_group_that_is() -> None:
    one = [Observation(2.0, True), Observation(3.0, True)]
    assert compared_in_words(compare(one, [])) == (
        "Nothing to compare: all 2 are closed, none is not closed."
    )
