"""A state has one colour, sign and word everywhere; the log is in order of time."""

from __future__ import annotations

from typing import get_args

from grammar.case.loops import LoopState
from tests.support.screens import case, desk, heard
from tui.dashboard.palette import LOUD, STATE_COLOURS, state_badge, state_style
from tui.dashboard.widgets.log import RunningLog
from tui.text.wording import STATE_MARKS, STATE_WORDS

ORDER = heard(40, "drugs nurse give rocuronium fifty milligrams", "team-leader")
WRONG = heard(45, "rocuronium fifteen milligrams", "drugs-nurse")


def test_every_state_has_a_colour_a_sign_and_a_word_and_the_loud_ones_differ() -> None:
    states = set(get_args(LoopState))
    assert set(STATE_COLOURS) == set(STATE_MARKS) == set(STATE_WORDS) == states
    assert len({STATE_COLOURS[state] for state in LOUD}) == len(LOUD)
    assert all(
        STATE_COLOURS[s] in state_style(s) and STATE_COLOURS[s] in state_badge(s) for s in states
    )


async def test_a_difference_has_one_colour_above_and_in_the_log() -> None:
    async with desk(case(ORDER, WRONG), 60, size=(120, 40)) as seen:
        theme = seen.app.theme_variables
        conflict = theme["conflict"].lower()
        log = seen.app.query_one(RunningLog)
        drawn = [
            segment.style.color.get_truecolor().hex
            for y in range(log.size.height)
            for segment in log.render_line(y)
            if "≠ DIFFERS" in segment.text and segment.style and segment.style.color
        ]
        above = [
            segment.style.bgcolor.get_truecolor().hex
            for y in range(3)
            for segment in seen.app.query_one("#urgent").render_line(y)
            if "READ BACK" in segment.text and segment.style and segment.style.bgcolor
        ]
        assert drawn == [conflict]
        assert above == [conflict]


async def test_the_log_is_in_order_of_time_also_when_an_earlier_utterance_is_told_later() -> None:
    later, earlier = heard(50, "suction on"), heard(30, "sats ninety four percent")
    shown = case(ORDER, later)
    async with desk(shown, 70, size=(120, 40)) as seen:
        log = seen.app.query_one(RunningLog)
        shown.add(type(earlier)(seq=4, t=30, until=32, words=earlier.words))
        await seen.text()
        times = [entry.line.t for entry in log._entries]
        assert times == sorted(times)
        assert [entry.line.fact for entry in log._entries] == [1, 4, 2, 3]
