"""Doubt: what the listener distrusts has no effect until a person or an agreeing read-back confirms it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from grammar.case.facts import (
    Amended,
    CaseStarted,
    Confirmed,
    Doubted,
    Heard,
    SecondHearing,
    Withdrawn,
)
from grammar.case.fold import Case
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN, network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.judging import Claim
from listener.confidence.competing_sentences import BEYOND, competing
from listener.confidence.confidence_scoring import CLOSE, ConfidenceScoring, Kept
from listener.confidence.evidence import evidence
from listener.confidence.judging_two_ears import ONE_EAR
from listener.confidence.verifier import Opinion, SphinxVerifier, second_listener
from listener.recognition.calibration import Calibration, shipped
from listener.recognition.engines import choose
from listener.recognition.lexicon import build_lexicon
from listener.recognition.n_best import Alternative
from listener.training.calibrate import fit
from tests.grammar.case.test_case import heard, states, view
from tests.support.speech import flite

START = CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70)
ORDER = heard(2, 2, "drugs nurse give ninety milligrams of ketamine", "team-leader")
GIVEN = heard(2, 2, "rocuronium seventy milligrams in", "drugs-nurse")
DOUBT = Doubted(seq=3, t=5, target=2, reason="second-listener", words="give nineteen")
TWINS = [
    ("thirteen", "thirty"),
    ("fourteen", "forty"),
    ("fifteen", "fifty"),
    ("sixteen", "sixty"),
    ("seventeen", "seventy"),
    ("eighteen", "eighty"),
    ("nineteen", "ninety"),
]
READ_BACK = heard(4, 6, "ninety milligrams of ketamine", "drugs-nurse")


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


# ---------------------------------------------------------------- the case


def test_doubt_that_comes_later_takes_back_what_the_call_did(protocol: Protocol) -> None:
    assert len(view(protocol, [START, GIVEN]).doses) == 1
    found = view(protocol, [START, GIVEN, DOUBT])
    assert not found.doses
    said = found.log[1].utterance
    assert said and said.unsure and "second-listener" in said.flags


def test_a_doubted_order_is_an_order_once_it_is_read_back_in_agreement(protocol: Protocol) -> None:
    assert not view(protocol, [START, ORDER, DOUBT]).tasks
    found = view(protocol, [START, ORDER, DOUBT, READ_BACK])
    assert [state for _, state in found.tasks] == ["pending"]
    assert not found.loops[0][0].unsure
    wrong = heard(4, 6, "nineteen milligrams of ketamine", "drugs-nurse")
    assert not view(protocol, [START, ORDER, DOUBT, wrong]).tasks


def test_doubt_makes_the_call_what_it_would_have_been_had_it_been_doubted_at_once(
    protocol: Protocol,
) -> None:
    at_once = replace(ORDER, doubts=("second-listener",))
    read_back = replace(READ_BACK, seq=3)
    later = replace(DOUBT, seq=4, t=9)
    assert (
        view(protocol, [START, ORDER, read_back, later]).loops
        == view(protocol, [START, at_once, read_back]).loops
    )


def test_a_person_has_the_last_word_over_doubt(protocol: Protocol) -> None:
    confirmed = Confirmed(seq=4, t=6, target=2)
    assert len(view(protocol, [START, GIVEN, DOUBT, confirmed]).doses) == 1
    amended = Amended(seq=3, t=4, target=2, words="rocuronium seventy milligrams in")
    late = replace(DOUBT, seq=4)
    assert len(view(protocol, [START, GIVEN, amended, late]).doses) == 1
    undone = Withdrawn(seq=4, t=6, target=3)
    assert len(view(protocol, [START, GIVEN, DOUBT, undone]).doses) == 1


def test_a_doubted_read_back_closes_nothing(protocol: Protocol) -> None:
    read_back = replace(READ_BACK, seq=3)
    doubt = replace(DOUBT, seq=4, target=3)
    assert states(view(protocol, [START, ORDER, read_back])) == ["closed"]
    assert states(view(protocol, [START, ORDER, read_back, doubt])) == ["open"]


def test_confidence_of_the_whole_counts_before_that_of_the_words(protocol: Protocol) -> None:
    low = replace(GIVEN, confidence=0.2)
    assert not view(protocol, [START, low]).doses


# ---------------------------------------------------------------- the second listener


def words_of(text: str, confidence: float = 1.0) -> tuple[Word, ...]:
    return tuple(Word(w, 0.3 * at, 0.3 * at + 0.3, confidence) for at, w in enumerate(text.split()))


def test_what_sounds_alike_or_was_held_possible_competes_and_what_means_the_same_does_not(
    protocol: Protocol,
) -> None:
    whole = network(protocol)
    lexicon = build_lexicon(whole.words, protocol.pronunciations)
    read = Understanding(protocol).read
    said = words_of("give seventy milligrams of ketamine")
    others = [
        Alternative(words_of("give seventy milligram of ketamine"), 2.0),
        Alternative(words_of("give ninety milligrams of ketamine"), 1.0),
    ]
    found = {" ".join(each) for each in competing(said, others, read, whole, lexicon)}
    assert "give seventeen milligrams of ketamine" in found
    assert "give ninety milligrams of ketamine" in found
    assert "give seventy milligram of ketamine" not in found
    for each in found:
        assert whole.accepts(each.split())


def test_only_what_holds_a_drug_a_number_or_a_unit_is_heard_twice(protocol: Protocol) -> None:
    second = second_listener(protocol, choose("vosk", network(protocol), protocol.pronunciations))
    assert second
    assert second.wanted(words_of("sats ninety four"))
    assert second.wanted(words_of("ketamine in"))
    assert not second.wanted(words_of("room ready"))
    assert not second.wanted(words_of("[unk]"))
    only = choose("pocketsphinx", network(protocol), protocol.pronunciations)
    assert second_listener(protocol, only) is None, "an engine is no witness for itself"


def test_the_second_listener_tells_most_teens_from_their_tens(protocol: Protocol) -> None:
    """Fourteen numbers in a voice from recordings: heard as themselves, and not as their twins."""
    second = SphinxVerifier(network(protocol), protocol.pronunciations, Understanding(protocol))
    against = 0
    for said, twin in [*TWINS, *((ten, teen) for teen, ten in TWINS)]:
        sound = flite(f"ketamine {said}")
        middle, end = len(sound) / SAMPLE_RATE / 2, len(sound) / SAMPLE_RATE - 0.5

        def opinion(number: str, sound: Samples, middle: float, end: float) -> Opinion:
            words = [Word("ketamine", 0.25, middle), Word(number, middle, end)]
            found = second.opinion(sound, words, ())
            assert found
            return found

        assert opinion(said, sound, middle, end).agrees
        found = opinion(twin, sound, middle, end)
        against += not found.agrees
        assert found.agrees or found.words == f"ketamine {said}"
    assert against >= 10


class Contrary:
    """A second listener that always hears seventeen."""

    def wanted(self, _: Sequence[Word]) -> bool:
        return True

    def opinion(self, *_: Any) -> Opinion:
        return Opinion(False, "ketamine seventeen", -0.1)


@pytest.mark.parametrize("live", [True, False])
def test_live_speech_is_stored_at_once_and_doubted_after_a_file_with_its_doubts(
    protocol: Protocol, live: bool
) -> None:
    case = Case(protocol)
    doubting = doubting_into(case, Contrary(), live=live)
    words = words_of("ketamine seventy milligrams in")
    fact = Heard(t=0.0, until=1.2, words=words)
    doubting.tell(fact, words, well_fitting(words), np.zeros(SAMPLE_RATE, np.int16))
    doubting.finish()
    first, *others = case.facts
    assert isinstance(first, Heard)
    assert first.confidence is not None
    if live:
        assert not first.doubts
        assert [type(other) for other in others] == [Doubted]
    else:
        assert first.doubts == ("second-listener",)
        assert not others
    said = case.view(5.0).log[0].utterance
    assert said and said.unsure
    assert not case.view(5.0).doses


def doubting_into(case: Case, second: Contrary, *, live: bool) -> ConfidenceScoring:
    """Asks our own engine's confidence and `second`, and stores facts in the case and nowhere else."""
    return ConfidenceScoring(
        choose("vosk", network(case.protocol), case.protocol.pronunciations),
        Understanding(case.protocol),
        second,
        lambda fact: case.add(replace(fact, seq=len(case.facts) + 1)),
        live=live,
    )


def well_fitting(words: Sequence[Word]) -> tuple[Alternative, ...]:
    """These words as all that a second of sound may be, and as fitting as clean calls are."""
    return (Alternative(tuple(words), 2.95 * 1.0 / 0.03),)


@pytest.mark.parametrize("live", [True, False])
def test_what_is_hardly_heard_is_speech_not_understood_and_nobody_is_asked_about_it(
    protocol: Protocol, live: bool
) -> None:
    case, second = Case(protocol), Slow()
    doubting = doubting_into(case, second, live=live)
    words = words_of("timer seventy", 0.2)
    poor = (Alternative(words, 60.0), Alternative(words[:1], 59.9))
    fact = Heard(
        t=3.0, until=4.0, words=tuple(replace(word, start=word.start + 3) for word in words)
    )
    second.go.set()
    doubting.tell(fact, words, poor, np.zeros(SAMPLE_RATE, np.int16))
    doubting.finish()
    [told] = case.facts
    assert isinstance(told, Heard)
    assert told.text == UNKNOWN
    assert told.words[0].start == fact.words[0].start
    assert told.confidence is not None
    assert told.confidence < shipped().least
    assert not told.doubts
    assert second.asked == ([] if live else ["seventy"])


class Slow(Contrary):
    """One who answers when the test lets it, and is not asked about sevens."""

    def __init__(self) -> None:
        self.begun, self.go = threading.Event(), threading.Event()
        self.asked: list[str] = []

    def wanted(self, words: Sequence[Word]) -> bool:
        return words[-1].text != "seven"

    def opinion(self, *asked: Any) -> Opinion:
        words: Sequence[Word] = asked[1]
        self.asked.append(words[-1].text)
        self.begun.set()
        self.go.wait(20)
        return super().opinion()


@pytest.mark.parametrize(
    ("whole", "doubted"), [("timer seventy five", True), ("timer seventy seven", False)]
)
def test_whose_speaker_went_on_is_doubted_as_a_whole_or_not_at_all_and_nothing_is_kept_of_it(
    protocol: Protocol, whole: str, doubted: bool
) -> None:
    case, second, sound = Case(protocol), Slow(), np.zeros(SAMPLE_RATE, np.int16)
    doubting = doubting_into(case, second, live=True)

    def tell(text: str, instead_of: int | None = None) -> Kept | None:
        words = words_of(text)
        return doubting.tell(
            Heard(t=0.0, until=words[-1].end, words=words),
            words,
            well_fitting(words),
            sound,
            instead_of,
        )

    begun = tell("timer seventy")
    assert begun
    seq = begun.seq
    assert second.begun.wait(20)
    tell(whole, instead_of=seq)
    second.go.set()
    doubting.finish()
    assert second.asked == (["seventy", "five"] if doubted else ["seventy"])
    doubts = [fact for fact in case.facts if isinstance(fact, Doubted)]
    assert [fact.target for fact in doubts] == ([seq] if doubted else [])
    assert not doubting._asked, "hours of a case must not be kept"


# ---------------------------------------------------------------- confidence


@pytest.mark.parametrize(
    ("other", "apart"),
    [("drugs ready", 1.0), ("drugs in drugs in", BEYOND), ("", 1.0)],
    ids=["another call", "the same said twice", "no call"],
)
def test_a_reading_leads_the_best_that_means_anything_else(
    protocol: Protocol, other: str, apart: float
) -> None:
    read, said = Understanding(protocol).read, words_of("drugs in", 0.9)
    rival = Alternative(words_of(other) if other else (), 1.0)
    found = evidence(said, (Alternative(said, 2.0), rival), 2.0, None, read)
    assert found["lead"] == BEYOND, "no number, drug or unit is at stake"
    assert found["apart"] == apart


@pytest.mark.parametrize("closer", [True, False])
def test_what_hardly_leads_another_reading_is_marked_until_the_sure_ear_confirms_it(
    protocol: Protocol, closer: bool
) -> None:
    case = Case(protocol)
    scoring = ConfidenceScoring(
        choose("vosk", network(protocol), protocol.pronunciations),
        Understanding(protocol),
        None,
        lambda fact: case.add(replace(fact, seq=len(case.facts) + 1)),
        live=True,
    )
    words = words_of("drugs in")
    (best,) = well_fitting(words)
    behind = CLOSE - 0.5 if closer else CLOSE + 0.5
    rival = Alternative(words_of("drugs ready"), best.score - behind)
    fact = Heard(t=0.0, until=1.2, words=words)
    scoring.tell(fact, words, (best, rival), np.zeros(SAMPLE_RATE, np.int16))
    (told,) = case.facts
    assert isinstance(told, Heard) and told.doubts == ((ONE_EAR,) if closer else ())
    said = case.view(5.0).log[0].utterance
    assert said and said.unsure == closer
    confirmed = SecondHearing(t=1.5, target=1, verdict="confirms", words=words, confidence=0.97)
    case.add(replace(confirmed, seq=2))
    said = case.view(5.0).log[0].utterance
    assert said and not said.unsure


def test_more_evidence_for_a_sentence_makes_it_surer(protocol: Protocol) -> None:
    read, likely = Understanding(protocol).read, words_of("give ketamine seventy milligrams", 0.9)
    sure = evidence(likely, (), 2.0, None, read)
    less = evidence(words_of("give ketamine seventy milligrams", 0.4), (), 2.0, None, read)
    against = evidence(likely, (), 2.0, Opinion(False, "", -0.2), read)
    rival = Alternative(words_of("give ketamine seventeen milligrams"), 1.5)
    led = evidence(likely, (Alternative(likely, 2.0), rival), 2.0, None, read)
    alone = evidence(likely, (Alternative(likely, 2.0),), 2.0, None, read)
    assert (led["lead"], alone["lead"], sure["lead"]) == (0.5, BEYOND, BEYOND)
    assert (led["apart"], alone["apart"]) == (0.5, BEYOND)
    calibration = shipped()
    assert calibration.confidence(sure) > calibration.confidence(less)
    assert calibration.confidence(alone) > calibration.confidence(led)
    assert calibration.confidence(sure) > calibration.confidence(against)


def test_the_fit_finds_the_odds_that_made_the_data() -> None:
    rng = np.random.default_rng(3)
    true = Calibration(0.5, {"weakest": 1.2, "words": -0.7})
    claims = []
    for _ in range(6000):
        evidence = {"weakest": float(rng.normal()), "words": float(rng.normal())}
        right = bool(rng.random() < true.confidence(evidence))
        claims.append(Claim(0.0, right, False, tuple(evidence.items())))
    found = fit(claims)
    assert found.intercept == pytest.approx(0.5, abs=0.12)
    assert found.weights == pytest.approx(dict(true.weights), abs=0.12)
    assert found.confidence({"weakest": 99.0, "words": 0.0}) < 0.999, "beyond what was seen"
