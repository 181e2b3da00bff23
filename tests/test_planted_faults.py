"""The faults planted in the sample drill are on the screen one second after each is due.

When a fault is due comes from the case's own facts: the end of a window, of a limit, of a read-back.
The facts are the drill as its script says it was spoken; hearing it is measured elsewhere.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest
from screens import Desk, protocol

from grammar.case import Case
from grammar.facts import CaseStarted, Heard, Word
from grammar.view import View

DRILL = tomllib.loads(
    (files("sample_audio_synthetic") / "faulty-drill.toml").read_text(encoding="utf-8")
)
SIZES = [(80, 24), (100, 30)]


def drill() -> Case:
    made = Case(protocol())
    made.add(CaseStarted(seq=1, protocol=DRILL["protocol"], weight_kg=DRILL["weight_kg"]))
    for seq, said in enumerate(DRILL["utterance"], start=2):
        words = tuple(Word(word, said["t"], said["until"]) for word in said["words"].split())
        made.add(Heard(seq=seq, t=said["t"], until=said["until"], words=words, sender=said["from"]))
    return made


CASE = drill()


def fault(name: str) -> int:
    """The fact with which a planted fault begins."""
    return 2 + next(i for i, said in enumerate(DRILL["utterance"]) if said.get("fault") == name)


def final() -> View:
    return CASE.view(DRILL["duration_s"])


def window_end(name: str) -> float:
    loop = next(loop for loop, _ in final().loops if loop.fact == fault(name))
    return loop.deadline


def limit(name: str) -> float:
    return next(task for task, _ in final().tasks if task.fact == fault(name)).due


def read_back() -> float:
    loop = next(loop for loop, _ in final().loops if loop.fact == fault("wrong-read-back"))
    return next(
        line.utterance.until
        for line in final().log
        if line.fact == loop.differing_fact and line.utterance
    )


FAULTS = {
    "unanswered": (lambda: window_end("unanswered"), ("!! 1 UNANSWERED", "Tube size 8 mm")),
    "late-answer": (lambda: window_end("late-answer"), ("!! 2 UNANSWERED", "Send in bougie")),
    "wrong-read-back": (read_back, ("≠ DIFFERS", "called 70 mg  ≠  read back 17 mg")),
    "never-done": (lambda: limit("never-done"), ("OVERDUE", "fentanyl 100 microgram")),
}


class Then(Desk):
    """The dashboard of the drill as it was at each moment: later facts are not known."""

    def _view(self, now: float) -> View:
        return self.case.at(now)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", FAULTS)
async def test_a_planted_fault_is_seen_one_second_after_it_is_due(
    name: str, size: tuple[int, int]
) -> None:
    due, shows = FAULTS[name]
    seen = Then(CASE, due() + 1.0)
    async with seen.app.run_test(size=size) as pilot:
        seen.pilot = pilot
        text = await seen.text()
    side = " ".join(text.split())
    assert all(" ".join(words.split()) in side for words in shows), text


@pytest.mark.parametrize("name", FAULTS)
async def test_it_was_not_shown_before_it_was_due(name: str) -> None:
    due, shows = FAULTS[name]
    seen = Then(CASE, due() - 0.5)
    async with seen.app.run_test(size=(100, 30)) as pilot:
        seen.pilot = pilot
        text = " ".join((await seen.text()).split())
    assert not all(" ".join(words.split()) in text for words in shows)
