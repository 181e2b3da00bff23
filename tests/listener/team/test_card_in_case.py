"""A card is read in the middle of a case: its sentences are no calls, all else is heard. Machines speak."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from grammar.advice.reading_card import reading_card
from grammar.case.facts import Heard, VoiceMatched
from grammar.case.fold import Case
from grammar.language.phrases import UNKNOWN, network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.blocks import Block, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.live import Live, Opening
from listener.recognition.engines import choose
from listener.recognition.grammar_beam import Sentence
from listener.recognition.sure_ear import SureHearing
from listener.team.card_in_case import CARD, CardAwareEar, CardInCase, is_of_card
from listener.team.card_reading import ENOUGH
from listener.team.member import Member
from listener.team.speaker_encoder.encoder import Voiceprint
from tests.support.kept_cases import BEGAN, begin
from tests.support.places import SAMPLES
from tests.support.speech import espeak, stretches

PROTOCOL = load_protocol("isolation-airway")
ASKED = reading_card(PROTOCOL)


def card_sounds(station: str) -> list[Samples]:
    return stretches(SAMPLES / f"card-{station}.flac")


class Room:
    """A microphone in whose room things are said one after the other, a second and more apart."""

    name, channels, rate, live = "a room", 1, SAMPLE_RATE, False

    def __init__(self, said: Sequence[Samples], before: Callable[[int], None]) -> None:
        """`before` is told of each that is to be said."""
        self._said, self._before = said, before

    def blocks(self) -> Iterator[Block]:
        def pieces() -> Iterator[Samples]:
            silence = np.zeros((SAMPLE_RATE + 8000, 1), np.int16)
            for number, sound in enumerate(self._said):
                self._before(number)
                yield silence
                yield sound[:, np.newaxis]
                yield silence

        return reblocked(pieces())


class Nobody:
    def heard(self, _fact: object, _utterance: object) -> None: ...
    def speaking(self, _channel: int, _words: str) -> None: ...
    def block(self, _t: float, _levels: object) -> None: ...


def heard_in(case: Case) -> list[Heard]:
    return [fact for fact in case.facts if isinstance(fact, Heard)]


def test_a_card_is_read_while_the_case_goes_on(tmp_path: Path) -> None:
    ear = choose("auto", network(PROTOCOL), PROTOCOL.pronunciations)
    # A voice of which the quick ear understands each sentence at the first time: the room says none again.
    read = card_sounds("anteroom")
    order = espeak("drugs nurse give fifty milligrams of ketamine")
    said = [order, *read[:4], order, *read[4:], order, read[-1]]
    done: list[tuple[Voiceprint, ...]] = []
    case, journal = Case(PROTOCOL), begin(tmp_path)

    def known(prints: tuple[Voiceprint, ...]) -> None:
        done.append(prints)
        live.know(Member(station="drugs-nurse", prints=prints, agreed=""))

    card = CardInCase(PROTOCOL, "drugs-nurse", known)

    def before(number: int) -> None:
        if number == 1:
            live.read_card(card)
        asked = number - 1 if number <= 5 else number - 2  # read by then
        _wait(lambda: card.over or card.progress.number > min(asked, len(read) - 1))

    live = Live(
        source=Room(said, before),
        recogniser=ear,
        case=case,
        journal=journal,
        observer=Nobody(),
        flac_writer=None,
        clock=lambda: BEGAN,
    )
    live.begin(Opening(weight_kg=70.0, source="a room", engine=ear.name, recording=False))
    live.run()
    (prints,) = done
    assert len(prints) >= 10
    told = heard_in(case)
    calls = [one for one in told if one.text != UNKNOWN]
    # The three orders alone, the one that was given meanwhile in doubt; the sentence of the card
    # that is said once more after it is soon after still the card's.
    assert [one.text for one in calls] == ["drugs nurse give fifty milligrams of ketamine"] * 3
    assert [CARD in one.doubts for one in calls] == [False, True, False]
    matched = [fact for fact in case.facts if isinstance(fact, VoiceMatched)]
    last = [one for one in matched if one.target == calls[-1].seq]
    assert last  # the last order is compared with the member who joined
    assert all(dict(one.shares)["drugs-nurse"] < 0.9 for one in last)
    # Whoever reads is in the log as speech with the words of the card.
    assert [one.likely for one in told if is_of_card(one)].count(ASKED[3]) == 1
    assert live.card is None


def _wait(true: Callable[[], bool]) -> None:
    """Wait as whoever reads waits for the next sentence: the print is taken in a thread of its own."""
    until = time.monotonic() + 30.0
    while not true() and time.monotonic() < until:
        time.sleep(0.02)


def nobody(_prints: tuple[Voiceprint, ...]) -> None: ...


@pytest.mark.parametrize(
    ("words", "takes"),
    [
        (ASKED[0], True),
        (UNKNOWN, True),
        ("we need help", False),
        ("drugs nurse give fifty milligrams of ketamine", False),
        ("rocuronium seventy milligrams in", False),
        (
            "thirteen milligrams suxamethonium ready",
            False,
        ),  # the twin of the number that is asked for
        ("thirty milligrams rocuronium ready", False),  # another drug
        ("thirty micrograms suxamethonium ready", False),
        (ASKED[5], False),  # a later sentence is nobody's yet
    ],
)
def test_what_is_the_card_s(words: str, takes: bool) -> None:
    card = CardInCase(PROTOCOL, "outside", nobody)
    assert card.takes(words.split()) == takes


def fact(words: str) -> Heard:
    return Heard(seq=1, t=1.0, until=2.0, words=tuple(Word(w, 1.0, 2.0) for w in words.split()))


def test_the_sentence_is_dropped_and_any_other_call_is_in_doubt_until_the_card_is_over() -> None:
    now = [0.0]
    card = CardInCase(PROTOCOL, "outside", nobody, clock=lambda: now[0])
    own = card.of_case(fact(ASKED[0]))
    assert isinstance(own, Heard)
    assert is_of_card(own)
    assert (own.text, own.likely, own.confidence) == (UNKNOWN, ASKED[0], 0.0)  # speech, in the log
    assert card.of_case(fact(UNKNOWN)) is None
    other = card.of_case(fact("copy"))
    assert isinstance(other, Heard)
    assert CARD in other.doubts
    card.end()
    assert card.over
    assert card.of_case(fact("copy")) == fact("copy")
    late = card.of_case(fact(ASKED[0]))  # the ears may be late
    assert late
    assert is_of_card(late)
    now[0] = 60.0
    assert card.gone
    assert card.of_case(fact(ASKED[0])) == fact(ASKED[0])


def test_a_call_in_nearly_the_words_of_the_sentence_is_a_call_in_doubt() -> None:
    """Sixteen and sixty milligrams differ in one word: it may be the card, or a report that counts."""
    card = CardInCase(PROTOCOL, "outside", nobody)
    card.skip()
    card.skip()
    assert ASKED[2] == "sixty milligrams rocuronium ready"
    near = fact("sixteen milligrams rocuronium ready")
    assert card.of_case(near) == replace(near, doubts=(CARD,))


def test_a_call_for_help_is_heard_at_once_also_where_it_is_only_likely() -> None:
    card = CardInCase(PROTOCOL, "outside", nobody)
    for told in (fact("we need help"), replace(fact(UNKNOWN), likely="send help")):
        assert card.of_case(told) == told
    assert card.of_case(fact(UNKNOWN)) is None


def test_too_few_sentences_make_nobody_known() -> None:
    done: list[tuple[Voiceprint, ...]] = []
    card = CardInCase(PROTOCOL, "outside", done.append)
    for _ in range(3):
        card.skip()
    assert card.progress.number == 4
    card.end()
    card.end()
    assert done == [()]
    assert ENOUGH > 0


def test_what_the_sure_ear_hears_of_the_card_is_no_call_either() -> None:
    class Hears:
        name = "a sure ear of the tests"

        def __init__(self, words: str) -> None:
            self._words = words

        def hear(self, samples: Samples) -> SureHearing:
            one = Sentence(tuple(self._words.split()), -1.0, 4)
            return SureHearing((one,), self._words, -1.0, 4, len(samples) / SAMPLE_RATE, -9.0)

    card: list[CardInCase] = []
    sound = np.zeros(SAMPLE_RATE, np.int16)

    def heard(words: str) -> int:
        found = CardAwareEar(Hears(words), lambda: card[0] if card else None).hear(sound)
        return len(found.sentences) if found else 0

    assert heard(ASKED[0]) == 1
    card.append(CardInCase(PROTOCOL, "outside", nobody))
    assert heard(ASKED[0]) == 0
    assert heard("give fifty milligrams of ketamine") == 1
