"""The faults planted in the sample drill are on the screen one second after each is due.

When a fault is due comes from the case's own facts: the end of a window, of a limit, of a read-back.
The facts are those of the drill as its script says it was spoken, and once more (slow) those that the
recogniser really heard. `python -m tests.tools.drill_in_a_terminal` looks at a real terminal at real pace.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from grammar.case.facts import CaseStarted, Heard
from grammar.case.fold import Case
from grammar.case.view import View
from grammar.language.words import Word
from listener.storage.case_reader import open_case
from tests.support.drills import HeardDrills, accepted, truth
from tests.support.screens import ShownCase, protocol

DRILL = truth("faulty-drill")
SIZES = [(80, 24), (100, 30)]


def spoken() -> Case:
    """The drill as its script says."""
    made = Case(protocol())
    made.add(CaseStarted(seq=1, protocol=DRILL["protocol"], weight_kg=DRILL["weight_kg"]))
    for seq, said in enumerate(DRILL["utterance"], start=2):
        words = tuple(Word(word, said["t"], said["until"]) for word in said["words"].split())
        made.add(Heard(seq=seq, t=said["t"], until=said["until"], words=words, sender=said["from"]))
    return made


@pytest.fixture(scope="module", params=["spoken", pytest.param("heard", marks=pytest.mark.slow)])
def drill(request: pytest.FixtureRequest, heard_drill: HeardDrills) -> Case:
    """As its script says, or as the quick ear hears its sound, read back from the journal: there the
    recorder accepts a second later what is marked and right."""
    if request.param == "spoken":
        return spoken()
    case = open_case(heard_drill("faulty-drill").folder).case()
    for fact in accepted("faulty-drill", final(case), case.facts[-1].seq):
        case.add(fact)
    return case


def fault(case: Case, name: str) -> int:
    """The fact with which a planted fault begins: what was heard while it was spoken."""
    said = next(said for said in DRILL["utterance"] if said.get("fault") == name)
    return next(
        fact.seq
        for fact in case.facts
        if isinstance(fact, Heard) and fact.t < said["until"] and fact.until > said["t"]
    )


def final(case: Case) -> View:
    return case.view(DRILL["duration_s"])


def window_end(case: Case, name: str) -> float:
    loop = next(loop for loop, _ in final(case).loops if loop.fact == fault(case, name))
    return loop.deadline


def limit(case: Case, name: str) -> float:
    return next(task for task, _ in final(case).tasks if task.fact == fault(case, name)).due


def read_back(case: Case, name: str) -> float:
    loop = next(loop for loop, _ in final(case).loops if loop.fact == fault(case, name))
    return next(
        line.utterance.until
        for line in final(case).log
        if line.fact == loop.differing_fact and line.utterance
    )


Due = Callable[[Case, str], float]
FAULTS: dict[str, tuple[Due, tuple[str, ...]]] = {
    "unanswered": (window_end, ("!! 1 UNANSWERED", "Tube size 8 mm")),
    "late-answer": (window_end, ("!! 2 UNANSWERED", "Send in bougie")),
    "wrong-read-back": (read_back, ("≠ DIFFERS", "called 70 mg  ≠  read back 17 mg")),
    "never-done": (limit, ("!! OVERDUE 00:01 Give", "fentanyl 100")),
}


class Then(ShownCase):
    """The dashboard of the drill as it was at each moment: later facts are not known."""

    def _view(self, now: float) -> View:
        return self.case.at(now)


def on_screen(words: tuple[str, ...], text: str) -> bool:
    flat = " ".join(text.split())
    return all(" ".join(each.split()) in flat for each in words)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", FAULTS)
async def test_a_planted_fault_is_seen_one_second_after_it_is_due(
    drill: Case, name: str, size: tuple[int, int]
) -> None:
    due, shows = FAULTS[name]
    seen = Then(drill, due(drill, name) + 1.0)
    async with seen.app.run_test(size=size) as pilot:
        seen.pilot = pilot
        text = await seen.text()
    assert on_screen(shows, text), text


@pytest.mark.parametrize("name", FAULTS)
async def test_it_was_not_shown_before_it_was_due(drill: Case, name: str) -> None:
    due, shows = FAULTS[name]
    seen = Then(drill, due(drill, name) - 0.5)
    async with seen.app.run_test(size=(100, 30)) as pilot:
        seen.pilot = pilot
        text = await seen.text()
    assert not on_screen(shows, text)
