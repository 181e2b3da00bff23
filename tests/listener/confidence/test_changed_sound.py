"""Versions of a sound in which the sure ear may hear what it was not sure of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grammar.case.amendments import effective, heard_otherwise
from grammar.case.facts import Heard, SecondHearing, Warned
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.judging_two_ears import ALONE, TWO_WAYS
from listener.confidence.storing_verdicts import SecondHearings
from listener.confidence.stretch import Stretch, Told
from listener.recognition.calibration import two_ears
from listener.recognition.grammar_beam import Sentence
from listener.recognition.sure_ear import SureHearing

SENTENCE = ("saturation", "ninety", "four", "percent")


def tone_in_noise() -> tuple[Samples, slice, slice]:
    """A tone of 1 kHz in the middle third of three seconds of noise, and where noise and tone are."""
    rng = np.random.default_rng(1)
    sound = rng.normal(0, 300, 3 * SAMPLE_RATE)
    times = np.arange(SAMPLE_RATE) / SAMPLE_RATE
    sound[SAMPLE_RATE : 2 * SAMPLE_RATE] += 4000 * np.sin(2 * np.pi * 1000 * times)
    return sound.astype(np.int16), slice(1000, 15_000), slice(17_000, 31_000)


def level_db(sound: Samples) -> float:
    return float(10 * np.log10(np.mean(sound.astype(np.float64) ** 2)))


def test_steady_noise_becomes_fainter_and_a_tone_stays() -> None:
    from listener.confidence.changed_sound import without_steady_noise

    sound, noise, tone = tone_in_noise()
    cleared = without_steady_noise(sound)
    assert len(cleared) == len(sound)
    assert level_db(cleared[noise]) < level_db(sound[noise]) - 2
    assert level_db(cleared[tone]) == pytest.approx(level_db(sound[tone]), abs=0.5)


@pytest.mark.parametrize("length", [0, 1, 511])
def test_a_sound_shorter_than_a_window_stays(length: int) -> None:
    from listener.confidence.changed_sound import without_steady_noise

    sound = np.arange(length, dtype=np.int16)
    assert without_steady_noise(sound) is sound


def test_a_faster_sound_is_shorter_and_higher() -> None:
    from listener.confidence.changed_sound import faster

    sound, _, tone = tone_in_noise()
    quick = faster(sound[tone])
    assert len(quick) == pytest.approx((tone.stop - tone.start) / 1.1, abs=1)
    spectrum = np.abs(np.fft.rfft(quick.astype(np.float64)))
    assert spectrum.argmax() * SAMPLE_RATE / len(quick) == pytest.approx(1100, abs=3)


class Unsure:
    """A sure ear to which a sentence is likely in a faster sound only; `other` has `nats` in all others."""

    name = "a sure ear of the tests"

    def __init__(self, nats: float, other: tuple[str, ...]) -> None:
        self.nats = nats
        self.other = other
        self.heard: list[int] = []

    def hear(self, samples: Samples) -> SureHearing | None:
        from listener.confidence.changed_sound import faster

        self.heard.append(len(samples))
        changed = len(samples) == len(faster(SOUND))
        nats, words = (-2.0, SENTENCE) if changed else (self.nats, self.other)
        near = {-8.5: "saturation ninety per", -60.0: "(clanking)"}.get(nats, " ".join(SENTENCE))
        lead = 15.0 if nats == -2.0 else 2.0
        held = (Sentence(words, nats, 5), Sentence(RIVAL, nats - lead, 5))
        return SureHearing(held, near, -1.5, 5, len(samples) / SAMPLE_RATE, -9.0)


RIVAL = ("room", "ready")
SOUND = np.zeros(SAMPLE_RATE * 3, np.int16)


def second_hearings_by(ear: Unsure, *, live: bool) -> list[SecondHearing]:
    """What the ear says of a sound in which the quick ear understood nothing."""
    stored: list[Heard | SecondHearing | Warned] = []
    understanding = Understanding(load_protocol("isolation-airway"))
    second = SecondHearings(ear, understanding, two_ears(), stored.append, live=live)
    heard = Heard(seq=7, t=0.0, until=2.3, words=(Word(UNKNOWN, 0.0, 2.3, 0.9),))
    told = [Told(7, heard, heard.words)]
    second.ended(Stretch(began=0.0, channel=1, engine="quick", told=told, sound=SOUND, ahead=None))
    second.finish()
    return [fact for fact in stored if isinstance(fact, SecondHearing)]


OTHER = ("saturation", "ninety", "percent")


@pytest.mark.parametrize("other", [SENTENCE, OTHER])
def test_of_sound_that_happens_now_a_doubtful_rescue_is_told_before_it_is_heard_again(
    other: tuple[str, ...],
) -> None:
    *first, last = second_hearings_by(Unsure(-8.5, other), live=True)
    assert [last] == second_hearings_by(Unsure(-8.5, other), live=False)
    assert [(fact.target, fact.verdict, fact.text) for fact in first] == [
        (7, "rescues", " ".join(other))
    ]
    assert (first[0].confidence or 0.0) < ALONE


@pytest.mark.parametrize(
    ("nats", "other", "times", "verdicts", "marked"),
    [
        (-8.5, SENTENCE, 3, ["rescues"], False),
        (-8.5, OTHER, 3, ["rescues"], True),
        (-60.0, OTHER, 1, [], False),
        (-2.0, SENTENCE, 1, ["rescues"], False),
    ],
)
def test_a_sound_in_doubt_is_heard_again_and_what_then_differs_is_marked(
    nats: float, other: tuple[str, ...], times: int, verdicts: list[str], marked: bool
) -> None:
    ear = Unsure(nats, other)
    second_facts = second_hearings_by(ear, live=False)
    assert len(ear.heard) == times
    assert [fact.verdict for fact in second_facts] == verdicts
    assert all(bool(fact.doubts) == marked for fact in second_facts)
    assert all((fact.confidence or 0.0) > ALONE for fact in second_facts)


class Otherwise:
    """A sure ear that hears another sentence than the quick ear's, in whatever sound, by `lead` nats."""

    name = "a sure ear of the tests"

    def __init__(self, nats: float, lead: float, free: str) -> None:
        self.nats, self.lead, self.free = nats, lead, free

    def hear(self, samples: Samples) -> SureHearing | None:
        held = (Sentence(SENTENCE, self.nats, 5), Sentence(OTHER, self.nats - self.lead, 5))
        return SureHearing(held, self.free, -1.5, 5, len(samples) / SAMPLE_RATE, -9.0)


RIGHTED = Otherwise(-5.0, 6.0, " ".join(SENTENCE))
REJECTED = Otherwise(-14.0, 3.0, "saturation ninety per")


def heard_by_both(ear: Otherwise, *, live: bool, guess: bool) -> tuple[Heard, list[SecondHearing]]:
    """What the quick ear told, and what becomes of it."""
    words = tuple(Word(word, 0.2, 2.2, 0.3) for word in OTHER)
    told = (Word(UNKNOWN, 0.2, 2.2, 0.3),) if guess else words
    heard = Heard(seq=7, t=0.2, until=2.2, words=told, confidence=0.3)
    stored: list[Heard | SecondHearing | Warned] = []
    understanding = Understanding(load_protocol("isolation-airway"))
    second = SecondHearings(ear, understanding, two_ears(), stored.append, live=live)
    stretch = Stretch(
        began=0.0,
        channel=1,
        engine="quick",
        told=[Told(7, heard, words)],
        sound=SOUND,
        ahead=None,
    )
    second.ended(stretch)
    second.finish()
    return heard, [fact for fact in stored if isinstance(fact, SecondHearing)]


@pytest.mark.parametrize(
    ("ear", "verdict", "or_else"),
    [(RIGHTED, "puts-right", " ".join(SENTENCE)), (REJECTED, "rejects", "")],
)
def test_a_call_that_is_about_to_be_taken_away_is_told_as_doubtful_first_and_stands_till_then(
    ear: Otherwise, verdict: str, or_else: str
) -> None:
    heard, [first, last] = heard_by_both(ear, live=True, guess=False)
    assert (first.verdict, first.text, first.doubts) == ("doubts", or_else, (TWO_WAYS,))
    assert last.verdict == verdict
    assert heard_by_both(ear, live=False, guess=False)[1] == [last]
    begun = effective([heard, replace(first, seq=8)])[7].fact
    assert isinstance(begun, Heard)
    assert (begun.text, begun.doubts) == (" ".join(OTHER), (TWO_WAYS,))
    assert heard_otherwise([heard, replace(first, seq=8)], 7) == or_else
    both = effective([heard, replace(first, seq=8), replace(last, seq=9)])
    assert both[7] == effective([heard, replace(last, seq=9)])[7]


def test_a_guess_that_is_put_right_becomes_a_call_at_once_and_never_in_the_quick_ear_s_words() -> (
    None
):
    _, found = heard_by_both(RIGHTED, live=True, guess=True)
    assert [(fact.verdict, fact.text) for fact in found] == [("rescues", " ".join(SENTENCE))]
    assert heard_by_both(REJECTED, live=True, guess=True)[1] == []
