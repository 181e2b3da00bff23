"""The recorder outside sees what matters without touching a key."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from num2words import num2words
from textual.geometry import Size
from textual.widgets import Digits, Static

from grammar.case.facts import Fact
from grammar.case.fold import Case
from grammar.case.loops import LoopState
from tests.support.screens import case, desk, heard, note, protocol, status, strips
from tui.dashboard.keys import IDS, JOINING, SPEAKING, TABLE, KeyMap
from tui.dashboard.widgets.calls import heights
from tui.dashboard.widgets.header import LOW
from tui.dashboard.widgets.large import large
from tui.dashboard.widgets.log import RunningLog
from tui.dashboard.widgets.room import share
from tui.text.wording import CAUTION, CAUTION_IN_SHORT

KETAMINE = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
ROCURONIUM = heard(40, "drugs nurse give rocuronium fifty milligrams", "team-leader")
ROCURONIUM_BACK_WRONG = heard(45, "rocuronium fifteen milligrams", "drugs-nurse")
DRILL: tuple[Fact, ...] = (
    heard(2, "suction on", "airway-operator"),
    heard(3, "sats ninety four percent", "drugs-nurse"),
    heard(5, "pressure one thirty over eighty", "drugs-nurse"),
    KETAMINE,
    heard(15, "giving ketamine ninety milligrams", "drugs-nurse"),
    heard(20, "ketamine ninety milligrams in", "drugs-nurse"),
    heard(25, "pre oxygenation started", "airway-operator"),
    heard(30, "outside start timer three minutes", "team-leader"),
    ROCURONIUM,
    ROCURONIUM_BACK_WRONG,
    heard(50, "anteroom send in the bougie", "airway-operator"),
    heard(54, "heart rate ninety", "drugs-nurse", 0.3),
)
SIZES = [(80, 24), (100, 30), (160, 50)]


def footed(*, short: bool) -> list[tuple[str, str]]:
    """The footer of a case that is heard from a file, in silence."""
    return KeyMap().foot(IDS - SPEAKING - JOINING, short=short)


async def test_a_call_that_nobody_answers_stands_out_without_a_key() -> None:
    async with desk(case(KETAMINE), 15) as seen:
        before = await seen.text()
        assert "awaiting read-back" in before
        assert "UNANSWERED" not in before
        after = await seen.at(30)
        assert "!! UNANSWERED" in after
        assert "Give ketamine 90 mg (number unclear)" in after
        assert "→ Drugs nurse" in after
        # Weight and reversed colours besides the mark and the word.
        styles = [
            piece.style
            for y in range(seen.app.query_one("#calls").size.height)
            for piece in seen.app.query_one("#calls").render_line(y)
            if "!! UNANSWERED" in piece.text and piece.style
        ]
        ground = seen.app.screen.styles.background.rich_color
        assert styles
        assert all(style.bold and style.bgcolor != ground for style in styles)


async def test_the_age_grows_and_the_bar_drains_with_the_clock_alone() -> None:
    async with desk(case(KETAMINE), 13) as seen:
        early, later = await seen.at(14), await seen.at(19)
    assert "awaiting read-back 00:02" in early
    assert "awaiting read-back 00:07" in later
    assert early.count("█") > later.count("█")


async def test_an_urgent_call_shows_its_age_in_large_digits() -> None:
    async with desk(case(KETAMINE), 41.9) as seen:
        text = await seen.text()
    for row in large("00:30"):
        assert row in text


@pytest.mark.parametrize("size", SIZES)
async def test_a_differing_read_back_shows_both_values_side_by_side(size: tuple[int, int]) -> None:
    async with desk(case(ROCURONIUM, ROCURONIUM_BACK_WRONG), 50, size) as seen:
        text = await seen.text()
    assert "≠ DIFFERS" in text
    assert "called 50 mg  ≠  read back 15 mg" in text
    assert "Give rocuronium 50 mg → Drugs nurse" in text


@pytest.mark.parametrize("size", [*SIZES, (120, 40), (100, 24)])
async def test_another_drug_read_back_is_seen_beside_the_one_called(size: tuple[int, int]) -> None:
    another = heard(15, "rocuronium fifteen milligrams", "drugs-nurse")
    async with desk(case(KETAMINE, another), 20, size) as seen:
        text = await seen.text()
    assert "ketamine 90 mg" in text.split("LOG")[0]
    assert "read back rocuronium 15 mg" in text


async def test_a_timer_counts_down_and_then_says_that_its_time_is_up() -> None:
    async with desk(case(heard(10, "timer sixty", "team-leader")), 30) as seen:

        def digits() -> list[str]:
            return [d.value for d in seen.app.query("TimerFace Digits").results(Digits) if d.value]

        started = seen.case.view(30).timers[0][0].started
        assert "running 60 s" in await seen.at(started + 20)
        assert digits() == ["00:40"]
        assert "!! TIME UP 60 s" in await seen.at(started + 72)
        assert digits() == ["+00:12"]


async def test_doses_vital_signs_tasks_and_checklists_are_on_screen() -> None:
    async with desk(case(*DRILL), 60) as seen:
        text = await seen.text()
    assert "ketamine 90 mg  1.29 mg/kg" in text  # 90 / 70 = 1.2857...
    assert "94 %" in text
    assert "130/80 mmHg" in text
    assert "1/6" in text
    assert "Give rocuronium 50 mg" in text.split("TASKS")[1]
    assert "(unsure)" in text


async def test_an_order_not_reported_done_in_time_is_overdue() -> None:
    async with desk(case(KETAMINE), 30) as seen:
        assert "OVERDUE" not in await seen.text()
        assert "!! OVERDUE" in await seen.at(200)


async def test_the_log_stays_put_while_someone_reads_back_and_end_follows_again() -> None:
    facts = [note(float(t), f"note number {t}") for t in range(100)]
    async with desk(case(*facts), 120) as seen:
        assert "note number 99" in await seen.text()
        await seen.pilot.press("pageup", "up")
        before = await seen.text()
        log_before = before.split("LOG")[1].splitlines()[1:8]
        seen.case = case(*facts, *(note(130.0 + t, f"later {t}") for t in range(5)))
        after = await seen.at(140)
        assert after.split("LOG")[1].splitlines()[1:8] == log_before
        assert "5 new below" in after
        await seen.pilot.press("end")
        assert "later 4" in await seen.text()
        assert seen.app.query_one(RunningLog).following


async def test_the_log_keeps_its_place_when_the_terminal_changes() -> None:
    facts = [note(float(t), f"note number {t} " + "that goes on " * 6) for t in range(100)]
    async with desk(case(*facts), 120) as seen:
        await seen.text()
        await seen.pilot.press("pageup", "pageup")
        await seen.text()
        log = seen.app.query_one(RunningLog)
        top = log.top_entry
        await seen.pilot.resize_terminal(130, 40)
        await seen.text()
        assert log.top_entry == top


@pytest.mark.parametrize("size", [*SIZES, (40, 12)])
async def test_every_size_of_terminal_gets_a_picture(size: tuple[int, int]) -> None:
    async with desk(case(*DRILL), 70, size) as seen:
        for now in (0, 12, 60, 70, 400, 5000):
            text = await seen.at(now)
            assert seen.app.size == Size(*size)
        if size != (40, 12):
            assert "RECORDING ON" in text
            said = " ".join(text.split())
            assert CAUTION in said or CAUTION_IN_SHORT in said


async def test_in_the_smallest_terminal_nine_waiting_calls_and_every_key_are_seen() -> None:
    calls = [heard(4.0 * i, f"tube depth {num2words(10 + i)}", "team-leader") for i in range(1, 10)]
    async with desk(case(*calls), 300, (80, 24)) as seen:
        text = await seen.text()
        assert text.count("!! UNANSWERED 0") == 9
        assert seen.app.query_one("#bottom").size.height == 3
        foot = "\n".join(text.splitlines()[-2:])
        assert all(f"{shown} " in foot for shown, _ in footed(short=True))


async def test_in_a_narrow_terminal_the_count_of_calls_keeps_to_its_row_and_both_values_are_seen() -> (
    None
):
    async with desk(case(*DRILL), 70, (60, 20)) as seen:
        rows = (await seen.text()).splitlines()
    assert "≠" in rows[2]
    assert "WAITING 5   !! 4    ≠ 1" in rows[3]
    assert "50 mg ≠ read back 15 mg" in rows[4]
    assert "!! " in rows[5]


async def test_the_foot_grows_and_shrinks_with_the_terminal_and_parts_no_key_from_its_word() -> (
    None
):
    async with desk(case(), 5, (80, 24)) as seen:
        for size, rows in (((80, 24), 2), ((200, 48), 1), ((80, 24), 2)):
            await seen.pilot.resize_terminal(*size)
            foot = (await seen.text()).splitlines()[-rows:]
            assert "help" in foot[0]
            assert "quit" in foot[-1]
            for key, what in footed(short=size[1] < LOW):
                assert any(f"{key} {what}" in row for row in foot)


async def test_before_the_case_has_begun_its_recording_is_not_called_paused() -> None:
    async with desk(Case(protocol()), 0) as seen:
        assert "recording begins" in await seen.text()


@pytest.mark.parametrize("width", [80, 110])
async def test_of_two_troubles_none_hides_the_other(width: int) -> None:
    told = status(
        troubles=(
            "7 not stored yet: the disk is full, free some space and they will be stored",
            "hearing is 15 s behind, nothing is left out",
        )
    )
    async with desk(case(KETAMINE), 15, (width, 30), told) as seen:
        above = " ".join((await seen.text()).partition(" WAITING ")[0].split())
    for trouble in told.troubles:
        assert f"!! {trouble}" in above, "nor is it cut"


async def test_a_long_source_cuts_neither_the_level_nor_the_weight() -> None:
    told = status(engine="an engine of a long name " * 3, source="a/long/path/" * 8)
    async with desk(case(), 5, (80, 24), told) as seen:
        first, second, *_ = (await seen.text()).splitlines()
        assert "a voice" in first
        assert "RECORDING ON" in first
        assert "70 kg" in second


async def test_in_a_low_terminal_the_help_takes_the_width_and_the_most_urgent_stays() -> None:
    async with desk(case(*DRILL), 70, (80, 24)) as seen:
        await seen.text()
        await seen.pilot.press("question_mark")
        text = await seen.text()
        assert "≠ DIFFERS" in text
        assert "c  enter a call: its letter, its value, Enter" in text
        assert "TIMERS" in text
        assert "CHECKLISTS" not in text
        pages = []
        for _ in range(9):
            await seen.pilot.press("pagedown")
            pages.append(await seen.text())
        await seen.pilot.press("end")
        pages.append(await seen.text())
        assert any("mouse: click a call" in page for page in pages)
        assert "(number unclear)" in pages[-1] or "(put right)" in pages[-1]
        await seen.pilot.press("escape")
        assert "CHECKLISTS" in await seen.text()


async def test_calls_that_do_not_fit_are_counted() -> None:
    depths = [num2words(cm).replace("-", " ") for cm in range(10, 26)]
    calls = [
        heard(10.0 * i, f"tube depth {cm}", "team-leader") for i, cm in enumerate(depths, start=1)
    ]
    async with desk(case(*calls), 300, (80, 24)) as seen:
        text = await seen.text()
        waiting = len(seen.case.view(300).waiting)
    shown = text.split("LOG")[0].count("!! UNANSWERED")
    assert shown > 0
    assert waiting == 16
    assert f"+ {waiting - shown} more waiting" in text


async def test_recording_engine_failure_and_end_are_told_in_words() -> None:
    async with desk(case(), 5, told=status(recording=False)) as seen:
        assert "recording off" in await seen.text()
        seen.status = status(recording=True, partial="sats ninety")
        text = await seen.text()
        assert "RECORDING ON" in text
        assert "a voice" in text
        assert "hearing sats ninety" in text
        seen.status = status(ended=True)
        assert "ENDED" in await seen.text()
        seen.status = status(failure="The microphone was unplugged.")
        assert "LISTENING STOPPED: The microphone was unplugged." in await seen.text()


async def test_words_from_outside_are_shown_as_they_are_and_steer_nothing() -> None:
    nasty = "[bold red]x[/] \x1b[31m\x1b]0;title\x07 \u202eback [@click=app.quit]y[/]"
    told = status(partial=nasty, source=nasty)
    async with desk(case(note(1, nasty)), 5, (130, 30), told) as seen:
        text = await seen.text()
        drawn = "".join(text for _, text in strips(seen.app.screen))
    assert "[bold red]x[/] [31m]0;title back [@click=app.quit]y[/]" in " ".join(text.split())
    assert not {"\x1b", "\x07", "\u202e"} & set(drawn)


async def test_listening_starts_with_the_screen_and_stops_once_with_it() -> None:
    async with desk(case(), 0) as seen:
        await seen.text()
        assert seen.calls == ["start"]
        await seen.pilot.press("q", "q")
    assert seen.calls == ["start", "stop"]


async def test_the_help_names_every_key_and_leaves_the_calls_in_sight() -> None:
    async with desk(case(KETAMINE), 40, (110, 110)) as seen:
        await seen.text()
        await seen.pilot.press("question_mark")
        text = await seen.text()
        for key in TABLE:
            if key.id in JOINING:
                continue
            told = f"{KeyMap().shown(key.id)}  {key.what}" in text
            assert told
        assert "UNANSWERED" in text
        await seen.pilot.press("escape")
        assert "LOG" in await seen.text()


@pytest.mark.parametrize("size", SIZES)
async def test_every_key_stands_in_the_foot_and_gives_way_to_what_is_being_said(
    size: tuple[int, int],
) -> None:
    async with desk(case(), 5, size) as seen:
        quiet = await seen.text()
        for key, what in footed(short=size[1] < LOW):
            assert " ".join(f"{key} {what}".split()) in " ".join(quiet.split())
        seen.status = status(partial="sats ninety")
        assert "hearing sats ninety" in await seen.text()


async def test_what_did_not_change_is_not_drawn_again(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str | None] = []
    update = Static.update

    def counted(self: Static, *content: Any, **options: Any) -> None:
        drawn.append(self.id)
        update(self, *content, **options)

    async with desk(case(*DRILL), 70) as seen:
        await seen.text()
        monkeypatch.setattr(Static, "update", counted)
        seen.app.look()
        assert drawn == []
        seen.now = 71.0
        seen.app.look()
        assert "header" in drawn


states = st.lists(st.sampled_from(["unanswered", "differs", "open", "answered"]), max_size=20)


@given(states, st.integers(3, 60))
def test_calls_never_take_more_rows_than_there_are(found: list[LoopState], rows: int) -> None:
    found = sorted(found, key=lambda state: state in ("open", "answered"))
    given_rows = heights(found, rows)
    hidden = given_rows.count(0)
    assert sum(given_rows) + (1 if hidden else 0) <= rows
    # The most urgent stand on top, so those left out are the last.
    assert all(above or not below for above, below in pairwise(given_rows))


@given(st.integers(0, 60), st.lists(st.integers(0, 12), min_size=5, max_size=5))
def test_panels_share_all_rows_there_are_and_no_more(rows: int, wanted: list[int]) -> None:
    got = share(rows, wanted, (5, 2, 2, 3, 2))
    assert sum(got) == min(rows, sum(wanted))
    assert all(0 <= have <= want for have, want in zip(got, wanted, strict=True))
