"""When an utterance is told: at the first pause after it, and again should its speaker go on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from grammar.case.amendments import effective
from grammar.case.facts import Fact, Heard, HeardOut
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.audio.blocks import Block, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter
from listener.live import Live
from listener.recognition.calibration import shipped
from listener.recognition.engines import choose
from listener.recognition.recogniser import Recogniser
from listener.speech import DOUBTFUL, SURE
from listener.storage.journal import Journal
from tests.support.speech import in_a_room, quiet, voice


@dataclass
class Sound:
    """Samples as a source; `live` says whether facts may not wait, and time is not waited for."""

    samples: Samples
    live: bool
    name: str = "test"
    channels: int = 1
    rate: int = SAMPLE_RATE

    def blocks(self) -> Iterator[Block]:
        return reblocked(iter([self.samples[:, None]]))


@dataclass
class Notes:
    """Each fact, and up to where sound had been heard when it was stored."""

    facts: list[tuple[float, Fact]] = field(default_factory=list)
    until: float = 0.0
    partials: list[tuple[int, str]] = field(default_factory=list)
    """Words on their way, and how many facts had been told by then."""

    def heard(self, fact: Fact, _utterance: Utterance | None) -> None:
        if isinstance(fact, Heard | HeardOut):
            self.facts.append((self.until, fact))

    def speaking(self, _channel: int, words: str) -> None:
        self.partials.append((len(self.facts), words))

    def block(self, t: float, _levels_dbfs: Sequence[float]) -> None:
        self.until = t


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.fixture(scope="module")
def engine(protocol: Protocol) -> Recogniser:
    return choose("vosk", network(protocol), protocol.pronunciations)


@dataclass
class Room:
    protocol: Protocol
    engine: Recogniser
    cases: Path

    def hear(self, sound: Samples, *, live: bool) -> tuple[Case, Notes]:
        case, notes = Case(self.protocol), Notes()
        now = datetime.now().astimezone()
        journal = Journal.create(self.cases, "test", "", began=now)
        one = Live(
            source=Sound(sound, live),
            recogniser=self.engine,
            case=case,
            journal=journal,
            observer=notes,
            flac_writer=None,
            clock=lambda: now,
        )
        one.run()
        one.fact_writer.finish()
        journal.close()
        return case, notes


@pytest.fixture
def room(protocol: Protocol, engine: Recogniser, tmp_path: Path) -> Room:
    return Room(protocol, engine, tmp_path)


def texts(case: Case) -> list[str]:
    return [line.utterance.text for line in case.view(99.0).log if line.utterance]


def test_a_call_is_told_a_short_pause_after_its_end_not_when_its_segment_ends(room: Room) -> None:
    sound = in_a_room(voice("drugs nurse, give seventy milligrams of ketamine"))
    end = len(sound) / SAMPLE_RATE - 1.5
    _, notes = room.hear(sound, live=True)
    ((told, _),) = notes.facts
    assert end < told <= end + 0.35


def test_an_order_is_told_before_the_read_back_that_follows_it_at_once_has_been_spoken(
    room: Room,
) -> None:
    """Two voices 0.3 s apart: too close for segments, far enough for a pause."""
    order = voice("drugs nurse, give seventy milligrams of ketamine", "en-us")
    answer = voice("seventy milligrams of ketamine")
    sound = in_a_room(order, quiet(0.3), answer)
    case, notes = room.hear(sound, live=True)
    assert texts(case) == [
        "drugs nurse give seventy milligrams of ketamine",
        "seventy milligrams of ketamine",
    ]
    assert notes.facts[0][0] < len(sound) / SAMPLE_RATE - 1.5 - len(answer) / SAMPLE_RATE + 0.2
    assert [state for _, state in case.view(20.0).loops] == ["closed"]


def test_what_waits_at_a_pause_may_still_be_told_as_a_call() -> None:
    assert shipped().least < DOUBTFUL < SURE


PAUSES = (0.2, 0.3, 0.4, 0.5, 0.6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "rest", "whole"),
    [
        ("outside, start the timer", "sixty seconds", "outside start the timer sixty seconds"),
        ("give ketamine fifteen", "five zero, copy", "give ketamine fifteen five zero copy"),
        ("give ketamine fifteen", "one five, copy", "give ketamine fifteen one five copy"),
        ("rocuronium", "seventy, copy", "rocuronium seventy copy"),
        ("pressure one thirty", "over eighty", "pressure one thirty over eighty"),
    ],
)  # fmt: skip
def test_a_call_with_a_pause_in_it_is_one_call(
    room: Room, first: str, rest: str, whole: str
) -> None:
    for pause in PAUSES:
        sound = in_a_room(voice(first), quiet(pause), voice(rest))
        case, notes = room.hear(sound, live=True)
        assert texts(case) == [whole], pause
        from_file, told = room.hear(sound, live=False)
        assert texts(from_file) == [whole]
        assert len(told.facts) == 1, "a file is told once, at the end"
        kinds = [type(fact) for _, fact in notes.facts]
        assert kinds in ([Heard], [Heard, HeardOut], [Heard, HeardOut, HeardOut])


def test_a_number_that_digits_contradict_after_a_pause_is_a_conflict(room: Room) -> None:
    sound = in_a_room(voice("give ketamine fifteen"), quiet(0.4), voice("five zero milligrams"))
    case, _ = room.hear(sound, live=True)
    (said,) = (line.utterance for line in case.view(20.0).log if line.utterance)
    assert said
    assert said.unsure
    assert "number-conflict" in said.flags


def test_what_is_heard_out_stands_in_place_of_its_beginning() -> None:
    def spoken(text: str) -> tuple[Word, ...]:
        return tuple(Word(word, at, at + 1.0) for at, word in enumerate(text.split()))

    case = Case(load_protocol("isolation-airway"))
    case.add(Heard(seq=1, t=0, until=2, words=spoken("ketamine fifteen in")))
    assert [dose.amount for dose in case.view(3).doses] == [15]
    out = HeardOut(
        seq=2, t=0, until=4, target=1, words=spoken("ketamine fifteen five zero in"), confidence=0.9
    )
    case.add(out)
    view = case.view(5)
    assert not view.doses
    assert [line.fact for line in view.log if line.utterance] == [1]
    assert [dose.amount for dose in case.at(3).doses] == [15], "as it stood then"
    standing = effective(case.facts)[1].fact
    assert isinstance(standing, Heard)
    assert standing.confidence == 0.9


def test_a_pause_begins_where_the_voice_fades_though_its_echo_keeps_the_segment_going() -> None:
    rng = np.random.default_rng(1)
    loud = rng.standard_normal(SAMPLE_RATE) * 3000
    fading = rng.standard_normal(SAMPLE_RATE // 2) * 30
    hiss = rng.standard_normal(SAMPLE_RATE) * 2
    segmenter = Segmenter()
    segmenter.push(hiss.astype(np.int16))
    segmenter.push(loud.astype(np.int16))
    assert segmenter.pause_s == pytest.approx(0.0, abs=0.05)
    segmenter.push(fading.astype(np.int16))
    assert segmenter.pause_s == pytest.approx(0.5, abs=0.06)


def test_words_that_were_told_are_no_longer_on_their_way(room: Room) -> None:
    first, second = voice("suction on"), voice("start the timer, three minutes")
    gap = np.zeros(round(0.4 * SAMPLE_RATE), np.int16)
    _, notes = room.hear(in_a_room(np.concatenate([first, gap, second])), live=True)
    told = notes.facts[0][1]
    assert isinstance(told, Heard)
    later = [words for count, words in notes.partials if count and words]
    assert later, "the speaker went on, and nothing was shown of it"
    assert not [words for words in later if words.startswith(told.text)]
