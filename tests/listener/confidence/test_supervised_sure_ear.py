"""The sure ear may die or hang: the quick ear goes on alone, and that is said."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from grammar.case.facts import Heard, SecondHearing, Warned
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.confidence.judging_two_ears import (
    ONE_EAR,
    TWO_WAYS,
    Judgement,
    QuickReading,
    Verdict,
    call_of_guess,
)
from listener.confidence.storing_verdicts import BEHIND_S, SecondHearings
from listener.confidence.stretch import Ahead, Stretch, Told
from listener.confidence.supervised_sure_ear import PRIORITY, SupervisedSureEar
from listener.recognition.calibration import two_ears
from listener.recognition.grammar_beam import Sentence
from listener.recognition.sure_ear import SureHearing
from listener.recognition.worker_process import LIVES

SOUND = np.zeros(16_000 * 3, np.int16)
SENTENCE = ("saturation", "ninety", "four", "percent")


class Fake:
    """A sure ear that always hears one sentence, dies, or hangs."""

    name = "a sure ear of the tests"

    def __init__(self, what: str) -> None:
        self.what = what

    def hear(self, samples: Samples) -> SureHearing | None:
        if self.what == "dies":
            os._exit(1)
        if self.what == "hangs":
            time.sleep(60)
        if self.what == "says its priority":
            return SureHearing((), "", 0.0, 0, float(os.nice(0)), -9.0)
        sentence = Sentence(SENTENCE, -2.0, 5)
        return SureHearing((sentence,), " ".join(SENTENCE), -1.5, 5, len(samples) / 16_000, -9.0)


def test_one_that_listens_gives_what_it_hears() -> None:
    ear = SupervisedSureEar(partial(Fake, "listens"), "fake")
    try:
        found = ear.hear(SOUND)
        assert found and found.sentences[0].words == SENTENCE
        assert list(ear.news()) == []
    finally:
        ear.close()


def test_the_quick_ear_and_the_microphone_come_first() -> None:
    ear = SupervisedSureEar(partial(Fake, "says its priority"), "fake")
    try:
        found = ear.hear(SOUND)
        assert found and found.length_s == min(os.nice(0) + PRIORITY, 19)
    finally:
        ear.close()


@pytest.mark.parametrize("what", ["dies", "hangs"])
def test_one_that_fails_is_started_again_some_times_and_then_given_up(what: str) -> None:
    ear = SupervisedSureEar(partial(Fake, what), "fake", patience_s=0.5)
    try:
        for _ in range(LIVES):
            assert ear.listens
            assert ear.hear(SOUND) is None
        assert not ear.listens and ear.hear(SOUND) is None
        news = list(ear.news())
        assert len(news) == LIVES
        assert all("started again" in text for text in news[:-1])
        assert "heard only once from here on" in news[-1]
    finally:
        ear.close()


def stretch(told: Told, ahead: Ahead | None = None) -> Stretch:
    return Stretch(
        began=told.heard.t, channel=1, engine="quick", told=[told], sound=SOUND, ahead=ahead
    )


def second_hearings(
    stored: list[Heard | SecondHearing | Warned],
    *,
    live: bool,
    clock: Callable[[], float] = time.monotonic,
) -> SecondHearings:
    return SecondHearings(
        Fake("listens"),
        Understanding(load_protocol("isolation-airway")),
        two_ears(),
        stored.append,
        live=live,
        clock=clock,
    )


@pytest.mark.parametrize("live", [True, False])
def test_what_was_not_understood_is_rescued(live: bool) -> None:
    stored: list[Heard | SecondHearing | Warned] = []
    second = second_hearings(stored, live=live)
    heard = Heard(seq=7, t=1.0, until=3.0, words=(Word(UNKNOWN, 1.0, 3.0, 0.9),), confidence=0.9)
    second.ended(stretch(Told(7, heard, heard.words), second.ahead(SOUND)))
    second.finish()
    (found,) = stored
    assert isinstance(found, SecondHearing)
    assert (found.verdict, found.target, found.text) == ("rescues", 7, " ".join(SENTENCE))


def test_a_guess_of_the_quick_ear_that_the_sure_ear_heard_too_becomes_a_call() -> None:
    stored: list[Heard | SecondHearing | Warned] = []
    second = second_hearings(stored, live=False)
    guess = tuple(Word(word, 1.0, 3.0, 0.9) for word in SENTENCE)
    heard = Heard(seq=7, t=1.0, until=3.0, words=(Word(UNKNOWN, 1.0, 3.0, 0.3),), confidence=0.3)
    second.ended(stretch(Told(7, heard, guess)))
    found = stored[-1]
    assert isinstance(found, SecondHearing)
    assert (found.verdict, found.target, found.text) == ("rescues", 7, " ".join(SENTENCE))


@pytest.mark.parametrize(
    ("verdict", "confidence", "words", "doubts"),
    [
        ("confirms", 0.97, SENTENCE, ()),
        ("confirms", 0.6, SENTENCE, (ONE_EAR,)),
        ("puts-right", 0.97, SENTENCE, ()),
        ("doubts", 0.6, ("drugs", "in"), (TWO_WAYS,)),
        ("confirms", 0.3, None, ()),
        ("rejects", 0.97, None, ()),
    ],
)
def test_what_becomes_of_a_guess(
    verdict: Verdict, confidence: float, words: tuple[str, ...] | None, doubts: tuple[str, ...]
) -> None:
    doubted = (TWO_WAYS,) if verdict == "doubts" else ()
    found = call_of_guess(
        Judgement(verdict=verdict, words=SENTENCE, confidence=confidence, doubts=doubted),
        QuickReading(("drugs", "in"), 0.3),
    )
    if words is None:
        assert found is None
    else:
        assert found and (found.verdict, found.words, found.doubts) == ("rescues", words, doubts)


class TwoCalls:
    """A sure ear that hears a call in each voice; in both at once it finds no sentence, but writes both."""

    name = "a sure ear of the tests"
    FIRST = SENTENCE
    SECOND = ("give", "seventy", "milligrams", "of", "ketamine")

    def hear(self, samples: Samples) -> SureHearing | None:
        first, second = bool((samples == 1000).any()), bool((samples == 2000).any())
        length_s = len(samples) / 16_000
        best = self.FIRST if first else self.SECOND
        if first and second:
            both = " ".join((*self.FIRST, *self.SECOND))
            return SureHearing((Sentence(best, -30.0, 5),), both, -2.0, 9, length_s, -9.0)
        return SureHearing((Sentence(best, -1.0, 5),), " ".join(best), -0.9, 5, length_s, -9.0)


@pytest.mark.parametrize("quick", ["nothing", "no words", "the first"])
def test_of_two_calls_in_a_breath_both_become_calls(quick: str) -> None:
    voice, breath = np.ones(24_000, np.int16), np.zeros(6_400, np.int16)
    sound = np.concatenate([1000 * voice, breath, 2000 * voice, np.zeros(11_200, np.int16)])
    words = tuple(Word(word, 0.1, 1.5, 0.9) for word in SENTENCE)
    heard = {
        "no words": Heard(seq=7, t=0.1, until=3.4, words=(Word(UNKNOWN, 0.1, 3.4, 0.9),)),
        "the first": Heard(seq=7, t=0.1, until=1.5, words=words, confidence=0.9),
    }.get(quick)
    told = [Told(7, heard, heard.words)] if heard else []
    stored: list[Heard | SecondHearing | Warned] = []
    protocol = load_protocol("isolation-airway")
    case = Case(protocol)

    def store(fact: Heard | SecondHearing | Warned) -> Utterance | None:
        stored.append(fact)
        return case.add(replace(fact, seq=10 + len(stored)))

    second = SecondHearings(TwoCalls(), Understanding(protocol), two_ears(), store, live=False)
    second.ended(Stretch(began=0.0, channel=1, engine="quick", told=told, sound=sound, ahead=None))
    verdicts = {fact.text for fact in stored if isinstance(fact, SecondHearing)}
    assert verdicts == {" ".join(TwoCalls.FIRST), " ".join(TwoCalls.SECOND)}
    added = [fact for fact in stored if isinstance(fact, Heard)]
    assert len(added) == 2 - len(told)
    assert added[-1].t == pytest.approx(1.7, abs=0.25)


def test_an_ear_that_is_behind_passes_speech_over_and_says_so_once_until_it_has_caught_up() -> None:
    stored: list[Heard | SecondHearing | Warned] = []
    # Each stretch of speech reads the clock as it ends, and as its turn comes. The first is waited for
    # however long the ear takes to be loaded, and its answer reads the clock instead.
    times: Iterator[float] = iter([0.0, 10.0, 20.0, 40.0, 50.0, 70.0, 80.0, 80.5, 90.0, 110.0])
    turns = Turns(times)
    second = second_hearings(stored, live=True, clock=turns)
    for number in range(5):
        heard = Heard(
            seq=number, t=number, until=number + 0.5, words=(Word(UNKNOWN, 0.0, 0.5, 0.9),)
        )
        second.ended(stretch(Told(number, heard, heard.words)))
        turns.taken(2 * number + 2)
    second.finish()
    assert [(type(fact), fact.t) for fact in stored] == [
        (SecondHearing, 0.5),
        (Warned, 1.0),
        (SecondHearing, 3.5),
        (Warned, 4.0),
    ]


def test_it_is_behind_while_speech_waits_too_long_and_no_more_once_it_has_caught_up() -> None:
    stored: queue.Queue[Heard | SecondHearing | Warned] = queue.Queue()
    now, ear = [0.0], Gated()
    second = SecondHearings(
        ear,
        Understanding(load_protocol("isolation-airway")),
        two_ears(),
        stored.put,
        live=True,
        clock=lambda: now[0],
    )

    def spoken(number: int) -> None:
        words = (Word(UNKNOWN, 0.0, 0.5, 0.9),)
        heard = Heard(seq=number, t=number, until=number + 0.5, words=words)
        second.ended(stretch(Told(number, heard, heard.words)))

    def all_is_settled() -> None:
        """Waits for a job that is added now, and so for all that were before it."""
        ahead = second.ahead(SOUND)
        assert ahead is not None
        ahead.wait()

    spoken(0)
    all_is_settled()
    assert not second.behind
    ear.free.clear()
    now[0] = 10.0
    ear.asked.clear()
    spoken(1)
    assert ear.asked.wait(20)
    spoken(2)
    assert not second.behind
    now[0] += BEHIND_S + 0.5
    assert second.behind  # by what waits, before anything is passed over
    ear.free.set()
    all_is_settled()
    assert second.behind  # since something was passed over
    now[0] = 60.0
    spoken(3)
    all_is_settled()
    assert not second.behind
    second.finish()
    kinds = [type(stored.get_nowait()) for _ in range(stored.qsize())]
    assert kinds == [SecondHearing, SecondHearing, Warned, SecondHearing]


class Gated(Fake):
    """A sure ear that hears only while it is free to."""

    def __init__(self) -> None:
        super().__init__("listens")
        self.free, self.asked = threading.Event(), threading.Event()
        self.free.set()

    def hear(self, samples: Samples) -> SureHearing | None:
        self.asked.set()
        assert self.free.wait(20)
        return super().hear(samples)


class Turns:
    """A clock that gives one time after the other, whichever thread asks."""

    def __init__(self, times: Iterator[float]) -> None:
        self._times = times
        self._count = 0
        self._more = threading.Condition()

    def __call__(self) -> float:
        with self._more:
            self._count += 1
            self._more.notify_all()
            return next(self._times)

    def taken(self, count: int) -> None:
        """Wait until so many times were read."""
        with self._more:
            assert self._more.wait_for(lambda: self._count >= count, timeout=60)
