"""Whoever follows a case from its files judges nobody by what has not been heard yet."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path

import pytest

from grammar.case.facts import BEHIND, CaseEnded, CaseStarted, Fact, Heard, HeardSoFar, Warned
from listener.lateness import EVERY_S, Lateness
from listener.live import HOLDS_S
from listener.storage.case_follower import STORED_WITHIN_S, CaseFollower
from listener.storage.case_lock import CaseLock
from listener.storage.journal import Journal
from tests.support.screens import heard, shown_text
from tui.dashboard.case_view import dashboard
from tui.text.wording import NOT_HEARD_YET

NOW = datetime(2025, 1, 1, 14, 5, 33).astimezone()  # invented
CALL = heard(10, "anteroom send in the bougie", "team-leader")


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Journal]:
    """A case that is being heard, 200 s old, with a call at 00:10."""
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(tmp_path, "isolation-airway", text, began=NOW)
    here = CaseLock(journal.folder)
    began = (NOW - timedelta(seconds=200)).isoformat()
    journal.append_next(CaseStarted(wall=began, protocol="isolation-airway", source="a test"))
    journal.append_next(CALL)
    yield journal
    journal.close()
    here.release()


async def shown(journal: Journal, *facts: Fact) -> str:
    for fact in facts:
        journal.append_next(fact)
    app = dashboard(CaseFollower(journal.folder, lambda: NOW))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        return shown_text(app)


async def test_a_call_whose_answer_is_not_heard_yet_is_not_called_unanswered(
    running: Journal,
) -> None:
    text = await shown(running, HeardSoFar(t=12, late_s=188))
    assert "UNANSWERED" not in text
    assert NOT_HEARD_YET in text
    assert "as heard up to 00:12" in text
    assert "hearing is behind the sound" in text


@pytest.mark.parametrize(
    "caught_up", [HeardSoFar(t=195, late_s=0), heard(190, "saturation ninety one")]
)
async def test_once_hearing_has_caught_up_it_is_judged_by_the_clock(
    running: Journal, caught_up: Heard | HeardSoFar
) -> None:
    text = await shown(running, HeardSoFar(t=12, late_s=188), caught_up)
    assert "UNANSWERED" in text
    assert "heard up to" not in text
    assert "behind the sound" not in text


async def test_a_case_that_has_ended_is_judged_whole(running: Journal) -> None:
    text = await shown(running, HeardSoFar(t=12, late_s=188), CaseEnded(t=60))
    assert "UNANSWERED" in text


def test_an_answer_that_is_being_spoken_at_the_deadline_is_waited_for(running: Journal) -> None:
    """As long as the program that hears waits for speech that goes on."""
    assert STORED_WITHIN_S == HOLDS_S
    following = CaseFollower(running.folder, lambda: NOW)
    deadline = following.case.view(11).loops[0][0].deadline
    states = [
        following.view(deadline + after).loops[0][1]
        for after in (-1, 1, HOLDS_S - 0.1, HOLDS_S + 0.1)
    ]
    assert states == ["open", "unheard", "unheard", "unanswered"]


# ---------------------------------------------------------------- what is stored for it


def told() -> tuple[list[Fact], Lateness]:
    facts: list[Fact] = []
    return facts, Lateness(facts.append, live=True)


def test_how_far_hearing_has_come_is_stored_while_it_lags_and_once_it_has_caught_up() -> None:
    facts, lateness = told()
    for now in range(20):
        lateness.look(now, now, now)
    assert not facts, "in time, nothing is stored"
    for now in range(20, 31):  # hearing stands still: only the thread that takes sound looks
        lateness.look(now, 20, 18)
    lateness.look(30, 30, 29)
    lateness.look(31, 31, 31)
    assert [fact.kind for fact in facts[:2]] == ["warned", "heard-so-far"]
    assert [fact.what for fact in facts if isinstance(fact, Warned)] == [BEHIND]
    far = [fact for fact in facts if isinstance(fact, HeardSoFar)]
    assert [fact.t for fact in far] == [18] * (len(far) - 1) + [29]
    assert [fact.late_s > 0 for fact in far] == [True] * (len(far) - 1) + [False]
    assert len(far) == 1 + (30 - 23) // EVERY_S + 1


def test_the_rest_of_a_sound_that_is_over_is_followed_too() -> None:
    facts, lateness = told()
    for up_to in range(10, 61, 5):
        lateness.look(60, up_to, up_to)
    far = [fact.t for fact in facts if isinstance(fact, HeardSoFar)]
    assert far == [*list(range(10, 61, 5))[: len(far) - 1], 60]
    assert facts[-1] == HeardSoFar(t=60, late_s=0)


def test_a_lag_about_the_bound_is_told_once() -> None:
    facts, lateness = told()
    for tenth in range(0, 100, 2):
        lateness.look(20 + tenth / 10, 17 + tenth / 10, 17)
        lateness.look(20 + tenth / 10, 17.1 + tenth / 10, 17)
    assert sum(isinstance(fact, Warned) for fact in facts) == 1


def test_of_a_file_nothing_is_late() -> None:
    facts: list[Fact] = []
    Lateness(facts.append, live=False).look(60, 10, 10)
    assert not facts
