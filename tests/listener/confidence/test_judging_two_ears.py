"""Both ears together: they agree, one puts the other right, rescues a call, or leaves it in doubt."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from grammar.case.facts import Amended, Confirmed, Fact, Heard, HeardOut, SecondHearing
from grammar.case.fold import Case
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.confidence.judging_two_ears import (
    NEARBY,
    ONE_EAR,
    TWO_WAYS,
    Judgement,
    QuickReading,
    as_one,
    judged,
)
from listener.recognition.calibration import two_ears
from listener.recognition.grammar_beam import Sentence
from listener.recognition.sure_ear import SureHearing


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


def heard_sure(*said: tuple[str, float]) -> SureHearing:
    """What a sure ear holds possible, with nats; its free text is the best of it."""
    sentences = tuple(Sentence(tuple(text.split()), nats, 8) for text, nats in said)
    return SureHearing(sentences, said[0][0], said[0][1] + 1.0, 8, 3.0, -9.0)


def quick(text: str, confidence: float = 0.9) -> QuickReading:
    return QuickReading(tuple(text.split()), confidence)


def test_what_both_heard_alike_is_surer_than_either(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    found = judged(
        quick("give seventy milligrams of ketamine", 0.6),
        heard_sure(
            ("give seventy milligrams of ketamine", -3.0), ("give seventy of ketamine", -9.0)
        ),
        read,
        two_ears(),
    )
    assert found and found.verdict == "confirms"
    assert found.confidence > 0.9


def test_what_both_heard_alike_and_neither_clearly_is_marked(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    close = heard_sure(("clamped over", -2.0), ("unclamped over", -4.0))
    clear = heard_sure(("clamped over", -2.0), ("unclamped over", -9.0))
    for confidence, hearing, marked_so in (
        (0.6, close, (NEARBY,)),
        (0.6, clear, ()),
        (0.97, close, ()),
    ):
        found = judged(quick("clamped over", confidence), hearing, read, two_ears())
        assert found and found.verdict == "confirms"
        assert found.doubts == marked_so, found


def test_what_the_sure_ear_puts_right_and_is_not_sure_of_is_marked(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    ketamine = "give seventy milligrams of ketamine now"
    propofol = "give seventy milligrams of propofol now"
    hearing = heard_sure((ketamine, -2.0), (propofol, -5.0))
    for free, marked_so in ((ketamine, ()), ("seventy more of that now", (TWO_WAYS,))):
        found = judged(quick(propofol, 0.3), replace(hearing, free=free), read, two_ears())
        assert found and found.verdict == "puts-right"
        assert found.doubts == marked_so


def test_to_say_a_proword_twice_is_to_say_it(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    hearing = heard_sure(("copy copy", -2.0), ("copy", -3.0), ("yes", -15.0))
    found = judged(quick("copy"), hearing, read, two_ears())
    assert found and found.verdict == "confirms"


def test_a_sure_ear_that_understood_nothing_does_not_cast_doubt(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    own = "give seventy milligrams of ketamine"
    hearing = SureHearing(
        (Sentence(("five",), -22.0, 2), Sentence(tuple(own.split()), -30.0, 8)),
        "give sevenly millie gram of kettle mine",
        -9.0,
        12,
        3.0,
        -9.0,
    )
    assert judged(quick(own, 0.995), hearing, read, two_ears()) is None
    unsure = judged(quick(own, 0.5), hearing, read, two_ears())
    assert unsure and unsure.verdict == "doubts"


def test_a_number_with_a_twin_is_never_put_right_by_one_ear(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    hearing = heard_sure(("give seventeen milligrams of ketamine", -1.0), ("copy", -30.0))
    found = judged(quick("give seventy milligrams of ketamine", 0.5), hearing, read, two_ears())
    assert found and found.verdict == "doubts" and TWO_WAYS in found.doubts


def test_a_number_with_a_twin_that_only_the_sure_ear_heard_is_unsure(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    hearing = heard_sure(("give seventeen milligrams of ketamine", -1.0), ("copy", -30.0))
    found = judged(QuickReading((), 0.0), hearing, read, two_ears())
    assert found is None or ONE_EAR in found.doubts


@pytest.mark.parametrize(
    ("sentence", "nats", "free", "free_nats"),
    [
        ("no no no", -3.5, "(doors closing)", -4.0),
        ("please start the first attempt", -29.0, "please turn to the first page", -12.0),
    ],
)
def test_a_sound_or_speech_that_is_much_likelier_something_else_becomes_no_call(
    protocol: Protocol, sentence: str, nats: float, free: str, free_nats: float
) -> None:
    likely = Sentence(tuple(sentence.split()), nats, 4)
    hearing = SureHearing((likely,), free, free_nats, 8, 3.0, -1.0)
    found = judged(QuickReading((), 0.0), hearing, Understanding(protocol).read, two_ears())
    assert found is None


def test_a_call_is_less_sure_where_nobody_may_have_spoken(protocol: Protocol) -> None:
    spoken = heard_sure(("no no no", -1.0), ("no", -9.0))
    maybe_noise = replace(spoken, no_speech=math.log(0.9))
    read = Understanding(protocol).read
    sure = judged(quick("no no no", 0.6), spoken, read, two_ears())
    less = judged(quick("no no no", 0.6), maybe_noise, read, two_ears())
    assert sure and less and sure.confidence > less.confidence


def words(text: str) -> tuple[Word, ...]:
    return tuple(Word(word, 1.0, 2.0) for word in text.split())


HEARD = Heard(seq=1, t=1, until=2, words=words(UNKNOWN), confidence=0.9)
RESCUED = SecondHearing(
    seq=2,
    t=2,
    target=1,
    verdict="rescues",
    words=words("saturation ninety four percent"),
    confidence=0.9,
)


def case_of(protocol: Protocol, *facts: Fact) -> Case:
    case = Case(protocol)
    for fact in facts:
        case.add(fact)
    return case


def test_a_rescued_call_takes_the_place_of_what_was_not_understood(protocol: Protocol) -> None:
    (line,) = case_of(protocol, HEARD, RESCUED).state.log
    said = line.utterance
    assert said and said.call == "saturation" and said.ear == "sure" and said.fact == 1


def test_what_a_person_accepted_or_put_right_stands(protocol: Protocol) -> None:
    order = Heard(seq=1, t=1, until=2, words=words("saturation ninety percent"), confidence=0.9)
    right = SecondHearing(
        seq=3,
        t=2,
        target=1,
        verdict="puts-right",
        words=words("saturation eighty percent"),
        confidence=0.9,
    )
    for before in (
        Confirmed(seq=2, t=2, target=1),
        Amended(seq=2, t=2, target=1, words=order.text),
    ):
        (line,) = case_of(protocol, order, before, right).state.log
        assert line.text == order.text


def test_who_goes_on_is_heard_by_the_quick_ear_alone_until_the_next_verdict(
    protocol: Protocol,
) -> None:
    whole = HeardOut(
        seq=3,
        t=1,
        until=3,
        target=1,
        words=words("saturation ninety four percent over"),
        confidence=0.9,
    )
    (line,) = case_of(protocol, HEARD, RESCUED, whole).state.log
    assert line.utterance and line.utterance.ear == "quick"
    assert line.text == whole.text


WHOLE = Judgement(
    verdict="rescues", words=("saturation", "ninety", "four", "percent", "over"), confidence=0.97
)


def test_one_sentence_that_the_quick_ear_cut_in_two_becomes_one_again() -> None:
    cut = [
        (
            quick("saturation ninety"),
            Judgement(verdict="confirms", words=("saturation", "ninety"), confidence=0.95),
        ),
        (quick(""), None),
    ]
    first, rest = as_one(cut, WHOLE)
    assert first and first.verdict == "puts-right" and first.words == WHOLE.words
    assert rest and rest.verdict == "rejects"


@pytest.mark.parametrize(
    ("sure", "whole"),
    [
        ((0.99, 0.98), 0.97),  # each is surer than one sentence of both
        ((0.95, 0.0), 0.8),  # the whole is not sure
    ],
)
def test_two_calls_in_one_stretch_of_speech_stay_two(
    sure: tuple[float, float], whole: float
) -> None:
    cut = [
        (
            quick("drugs in"),
            Judgement(verdict="confirms", words=("drugs", "in"), confidence=sure[0]),
        ),
        (quick("tube in"), Judgement(verdict="confirms", words=("tube", "in"), confidence=sure[1])),
    ]
    assert as_one(cut, replace(WHOLE, confidence=whole)) == [judgement for _, judgement in cut]


def test_a_call_with_noise_behind_it_stays_what_both_heard() -> None:
    cut = [
        (quick("tube in"), Judgement(verdict="confirms", words=WHOLE.words, confidence=0.95)),
        (quick(""), None),
    ]
    assert as_one(cut, WHOLE) == [cut[0][1], None]


def test_a_call_that_the_sure_ear_alone_heard_and_not_surely_is_marked(protocol: Protocol) -> None:
    read = Understanding(protocol).read
    hearing = heard_sure(("saturation ninety four percent", -3.0), ("copy", -30.0))
    marked = set()
    for intercept in range(-20, 10):
        calibration = replace(two_ears(), intercept=float(intercept))
        found = judged(QuickReading((), 0.0), hearing, read, calibration)
        if found:
            marked.add((found.confidence < 0.9, ONE_EAR in found.doubts))
    assert marked == {(True, True), (False, False)}
