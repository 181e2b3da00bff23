"""The sure ear says what it knows before it hears more, and drops what nobody wants any more."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from grammar.case.facts import Heard, SecondHearing, Warned
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.audio.voice_activity import HANGOVER_S
from listener.confidence.confidence_scoring import ConfidenceScoring, Kept
from listener.confidence.storing_verdicts import SecondHearings
from listener.confidence.stretch import Ahead, Stretch, Told
from listener.confidence.supervised_sure_ear import SupervisedSureEar
from listener.recognition.calibration import Calibration, two_ears
from listener.recognition.grammar_beam import Sentence
from listener.recognition.n_best import Alternative
from listener.recognition.sure_ear import SureHearing
from listener.speech import LATER_S, LONGEST_S, PAUSE_S, Speech
from listener.team.card_in_case import CardAwareEar
from listener.team.consent_in_case import OneAtATime
from tests.listener.confidence.test_supervised_sure_ear import (
    SENTENCE,
    SOUND,
    Fake,
    second_hearings,
    stretch,
)


class Patient(Fake):
    """A sure ear that hears a long sound until nobody wants it, and a short one at once."""

    def __init__(self) -> None:
        super().__init__("listens")

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        until = time.monotonic() + 60
        while len(samples) == len(SOUND) and time.monotonic() < until:
            if unwanted():
                return None
            time.sleep(0.01)
        return self.hear(samples)


def test_a_hearing_that_nobody_wants_any_more_is_broken_off_and_the_next_is_not() -> None:
    ear, wanted = SupervisedSureEar(Patient, "fake"), threading.Event()
    try:
        assert ear.hear(SOUND[:-1])  # made by now
        threading.Timer(0.3, wanted.set).start()
        began = time.monotonic()
        assert ear.hear_unless(SOUND, wanted.is_set) is None
        assert time.monotonic() - began < 20
        assert ear.hear_unless(SOUND, wanted.is_set) is None  # at once, it is unwanted by then
        assert ear.hear(SOUND[:-1])
        assert ear.hear_unless(SOUND[:-1], lambda: False)
        assert list(ear.news()) == []
    finally:
        ear.close()


def test_what_goes_on_after_a_pause_does_not_wait_for_what_was_heard_of_the_pause() -> None:
    stored: list[Heard | SecondHearing | Warned] = []
    ear = SupervisedSureEar(Patient, "fake")
    understanding = Understanding(load_protocol("isolation-airway"))
    second = SecondHearings(
        OneAtATime(CardAwareEar(ear, lambda: None)),
        understanding,
        two_ears(),
        stored.append,
        live=True,
    )
    try:
        begun = second.ahead(SOUND)
        assert begun
        heard = Heard(seq=7, t=1.0, until=3.0, words=(Word(UNKNOWN, 1.0, 3.0, 0.9),))
        over = stretch(Told(7, heard, heard.words))
        time.sleep(0.5)  # the hearing is begun
        begun.dropped = True
        began = time.monotonic()
        second.ended(replace(over, sound=SOUND[:-1]))
        second.finish()
        assert time.monotonic() - began < 20
        (found,) = stored
        assert isinstance(found, SecondHearing) and found.verdict == "rescues"
    finally:
        ear.close()


class InParts(Fake):
    """A sure ear that hears a sentence in all of `SOUND` with `nats`, and another one in a part of it."""

    PART = ("room", "ready")

    def __init__(self, nats: float) -> None:
        super().__init__("listens")
        self.nats, self.heard = nats, 0

    def hear(self, samples: Samples) -> SureHearing | None:
        self.heard += 1
        whole = len(samples) == len(SOUND)
        words, nats = (SENTENCE, self.nats) if whole else (self.PART, -1.0)
        if whole or self.nats < -20:
            free, length_s = " ".join(words), len(samples) / 16_000
            return SureHearing((Sentence(words, nats, 5),), free, -0.9, 5, length_s, -9.0)
        return SureHearing((), "(noise)", -9.0, 5, 1.0, -0.1)


def told_of_two_guesses(
    nats: float, *, live: bool
) -> tuple[list[tuple[int, int, str]], list[SecondHearing]]:
    """What becomes of two utterances of one stretch that the quick ear did not understand: for each verdict
    how many sounds were heard by then, of which it is, and its words; and the facts."""
    ear = InParts(nats)
    stored: list[tuple[int, int, str]] = []
    facts: list[SecondHearing] = []

    def store(fact: Heard | SecondHearing | Warned) -> None:
        assert isinstance(fact, SecondHearing)
        facts.append(fact)
        stored.append((ear.heard, fact.target, fact.text))

    protocol = load_protocol("isolation-airway")
    second = SecondHearings(ear, Understanding(protocol), two_ears(), store, live=live)
    told = []
    for seq, begins in ((7, 0.1), (8, 1.4)):
        words = (Word(UNKNOWN, begins, begins + 1.0, 0.0),)
        heard = Heard(seq=seq, t=begins, until=begins + 1.0, words=words, confidence=0.0)
        told.append(Told(seq, heard, words))
    second.ended(Stretch(began=0.0, channel=1, engine="q", told=told, sound=SOUND, ahead=None))
    second.finish()
    return stored, facts


def test_a_sure_sentence_in_two_pieces_is_told_once_and_before_the_pieces_are_heard() -> None:
    stored, live = told_of_two_guesses(-1.0, live=True)
    assert stored == [(1, 7, " ".join(SENTENCE))]
    stored, filed = told_of_two_guesses(-1.0, live=False)
    assert stored == [(3, 7, " ".join(SENTENCE))]
    assert live == filed


def test_pieces_that_make_no_sentence_are_each_told_once_heard() -> None:
    stored, _ = told_of_two_guesses(-60.0, live=True)
    assert stored == [(2, 7, "room ready"), (3, 8, "room ready")]


def test_a_hearing_begun_at_a_pause_is_judged_as_one_of_all_the_sound() -> None:
    facts: list[list[SecondHearing]] = []
    for begun in (SOUND[:-8000], None):
        stored: list[Heard | SecondHearing | Warned] = []
        second = second_hearings(stored, live=True)
        heard = Heard(seq=7, t=1.0, until=3.0, words=(Word(UNKNOWN, 1.0, 3.0, 0.9),))
        ahead = None if begun is None else second.ahead(begun)
        second.ended(stretch(Told(7, heard, heard.words), ahead))
        second.finish()
        facts.append([fact for fact in stored if isinstance(fact, SecondHearing)])
    assert facts[0] == facts[1] and len(facts[0]) == 1


class Silent:
    """A recogniser that hears nothing, or else `words`, and its hearing."""

    name = "silent"
    calibration: Calibration | None = None
    alternatives: tuple[Alternative, ...] = ()
    words: tuple[Word, ...] = ()

    def open(self) -> Silent:
        return self

    def accept(self, samples: Samples) -> None:
        """Hears nothing."""

    def partial(self) -> str:
        return ""

    def finish(self) -> tuple[Word, ...]:
        return self.words


@pytest.mark.parametrize(("length_s", "from_s"), [(3, PAUSE_S), (LONGEST_S + 1, LATER_S)])
def test_it_begins_at_a_short_pause_of_what_may_be_a_call_and_forgets_it_where_the_voice_goes_on(
    length_s: float, from_s: float
) -> None:
    asked: list[Ahead] = []

    class Asked:
        def ahead(self, sound: Samples) -> Ahead:
            assert len(sound) >= length_s * 16_000
            asked.append(Ahead())
            return asked[-1]

    understanding = Understanding(load_protocol("isolation-airway"))
    speech = Speech(
        0.0,
        1,
        Silent(),
        understanding,
        cast(ConfidenceScoring, None),  # of nothing heard nothing is scored
        lambda: 0.0,
        True,
        cast(SecondHearings, Asked()),
    )
    speech.accept(np.zeros(int(length_s * 16_000), np.int16))
    for pause_s in (0.0, 0.1, from_s - 0.02):
        speech.paused(pause_s)
    assert not asked
    speech.paused(from_s)
    speech.paused(from_s + 0.1)
    (first,) = asked
    assert not first.dropped
    speech.paused(0.0)
    assert first.dropped
    speech.paused(from_s)
    assert len(asked) == 2 and not asked[1].dropped


class Sure:
    """Scores and stores whatever it is given."""

    def confidence(self, *_: object) -> float:
        return 0.9

    def tell(self, heard: Heard, *_: object, instead_of: int | None) -> Kept:
        assert instead_of is None
        return Kept(5, heard)


@pytest.mark.parametrize(("goes_on", "lead_s", "settled"), [(0, 0, 1), (1, 0, 2), (0, 2.0, 1)])
def test_a_call_whose_echo_goes_on_is_judged_once_its_voice_has_faded_and_anew_if_that_goes_on(
    goes_on: int, lead_s: float, settled: int
) -> None:
    over: list[Stretch] = []

    class Settling:
        def ahead(self, _sound: Samples) -> Ahead:
            return Ahead()

        def ended(self, stretch: Stretch) -> None:
            over.append(stretch)

    silent = Silent()
    silent.words = tuple(
        Word(word, lead_s + 0.3 + 0.4 * n, lead_s + 0.7 + 0.4 * n, 0.9)
        for n, word in enumerate(SENTENCE)
    )
    speech = Speech(
        0.0,
        1,
        silent,
        Understanding(load_protocol("isolation-airway")),
        cast(ConfidenceScoring, Sure()),
        lambda: 0.0,
        True,
        cast(SecondHearings, Settling()),
    )
    speech.accept(np.zeros(int((lead_s + 2.2) * 16_000), np.int16))
    for pause_s in (0.2, 0.3, 0.5, 0.69):
        speech.paused(pause_s)
        speech.accept(np.zeros(1600, np.int16))
    assert not over
    for pause_s in (HANGOVER_S, 0.8, 0.9):
        speech.paused(pause_s)
    # In much sound beside it there may be another call, which is looked for once, at the end.
    assert len(over) == (0 if lead_s else 1)
    for _ in range(goes_on):
        speech.paused(0.0)
    speech.ended()
    assert len(over) == settled
    assert all([told.seq for told in stretch.told] == [5] for stretch in over)
