"""A yes that is said aloud in a case: one whole sentence, while it is asked for, and no call. Machines."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from grammar.case.facts import Fact, Heard, HeardOut
from grammar.case.fold import Case
from grammar.language.parse import understanding_of
from grammar.language.phrases import UNKNOWN, network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import SpeechBegan, SpeechEnded
from listener.live import Live, Opening
from listener.recognition.engines import choose
from listener.team.card_in_case import CARD, CardAwareEar
from listener.team.consent_in_case import ConsentInCase
from listener.team.spoken_consent import ConsentEar
from tests.listener.team.test_card_in_case import Nobody, Room
from tests.listener.team.test_spoken_consent import Writes
from tests.support.kept_cases import BEGAN, begin
from tests.support.speech import espeak

PROTOCOL = load_protocol("isolation-airway")
YES = "yes, for this case only"


@cache
def ear() -> ConsentEar:
    return ConsentEar(None, both=True)


def until(true: Callable[[], object]) -> None:
    end = time.monotonic() + 60.0
    while not true() and time.monotonic() < end:
        time.sleep(0.02)


class Asked:
    """A question, and what is stored because of it."""

    def __init__(self) -> None:
        self.told: list[Fact] = []
        self.consent = ConsentInCase(ear, understanding_of(PROTOCOL), self.told.append)

    def say(self, text: str, t: float = 10.0) -> float:
        """Say it, and return when its sound ends."""
        return self.sound(espeak(text), t)

    def sound(self, sound: Samples, t: float) -> float:
        end = t + len(sound) / SAMPLE_RATE
        self.consent.follow(0, [SpeechBegan(t, sound), SpeechEnded(end)])
        return end

    def heard(self, text: str, t: float, end: float, seq: int) -> None:
        words = tuple(Word(word, t, end) for word in text.split())
        self.consent.heard(Heard(t=t, until=end, words=words), seq)


def test_the_whole_sentence_is_a_yes_and_a_call_that_the_case_made_of_it_is_taken_back() -> None:
    asked = Asked()
    asked.heard("stand by", 3.0, 4.0, 7)  # said before
    asked.heard("copy", 10.3, 11.0, 8)
    asked.heard("we need help", 10.3, 11.0, 9)
    end = asked.say(YES)
    until(lambda: asked.consent.answer)
    assert asked.consent.answer == "case"
    until(lambda: asked.told)
    (taken,) = asked.told
    assert isinstance(taken, HeardOut)
    assert (taken.target, taken.text, taken.likely) == (8, UNKNOWN, "copy")
    late = Heard(t=10.3, until=end - 0.1, words=(Word("copy", 10.3, end - 0.1),))
    as_speech = asked.consent.of_case(late)
    assert isinstance(as_speech, Heard)
    assert (as_speech.text, CARD in as_speech.doubts) == (UNKNOWN, True)
    after = Heard(t=end + 1, until=end + 2, words=(Word("copy", end + 1, end + 2),))
    assert asked.consent.of_case(after) == after


@pytest.mark.parametrize(
    "text",
    ["yes", "yes keep my voice", "for this case only", "we need help", "ketamine ready"],
)
def test_anything_else_is_no_yes_and_stays_the_case_s(text: str) -> None:
    asked = Asked()
    asked.heard("copy", 10.3, 10.9, 8)
    asked.say(text)
    until(lambda: asked.consent.unclear)
    assert (asked.consent.answer, asked.consent.unclear, asked.told) == (None, 1, [])


def test_a_no_is_a_no() -> None:
    asked = Asked()
    asked.say("no")
    until(lambda: asked.consent.answer)
    assert asked.consent.answer == "no"


def test_a_yes_after_the_question_or_begun_before_it_is_none() -> None:
    asked = Asked()
    sound = espeak(YES)
    asked.consent.follow(0, [SpeechEnded(3.0)])  # its beginning came before the question
    asked.consent.close()
    asked.sound(sound, 10.0)
    time.sleep(0.5)
    assert (asked.consent.answer, asked.consent.unclear) == (None, 0)


@pytest.mark.parametrize(("written", "answer"), [("yes for this case only", "case"), ("yes", None)])
def test_the_sure_ear_must_write_the_same_and_makes_no_call_of_it(
    written: str, answer: str | None
) -> None:
    sure = Writes(written)
    asked = ConsentInCase(
        lambda: ConsentEar(sure, both=True), understanding_of(PROTOCOL), lambda _fact: None
    )
    sound = espeak(YES)
    asked.follow(0, [SpeechBegan(1.0, sound), SpeechEnded(4.0)])
    until(lambda: asked.answer or asked.unclear)
    assert asked.answer == answer
    found = CardAwareEar(sure, lambda: None, asked.is_yes).hear(sound)
    assert found is not None
    assert not found.sentences
    asked.close()
    assert asked.is_yes(written) == (answer == "case")


def test_the_sure_ear_alone_is_not_enough_in_a_case() -> None:
    """The quick ear takes a call for none of the sentences: the sure ear is not even asked."""
    assert ConsentEar(Writes("yes for this case only"), both=True).answer(espeak("copy")) is None


def test_a_case_that_goes_on_hears_the_yes_and_makes_no_call_of_it(tmp_path: Path) -> None:
    quick = choose("auto", network(PROTOCOL), PROTOCOL.pronunciations)
    case, order = Case(PROTOCOL), espeak("drugs nurse give fifty milligrams of ketamine")
    asked: list[ConsentInCase] = []

    def before(number: int) -> None:
        if number == 1:
            asked.append(live.hear_yes())
        if number == 2:
            until(lambda: asked[0].answer)

    live = Live(
        source=Room([order, espeak(YES), order], before),
        recogniser=quick,
        case=case,
        journal=begin(tmp_path),
        observer=Nobody(),
        flac_writer=None,
        clock=lambda: BEGAN,
    )
    live.begin(Opening(weight_kg=70.0, source="a room", engine=quick.name, recording=False))
    live.run()
    assert asked[0].answer == "case"
    said = [line.utterance for line in case.view(live.now).log if line.utterance]
    calls = [one.text for one in said if one.role == "call"]
    assert calls == ["drugs nurse give fifty milligrams of ketamine"] * 2
