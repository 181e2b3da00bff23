"""Words end where they can be heard to end."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.engines import choose
from listener.recognition.recogniser import Recogniser
from listener.recognition.word_ends import ended_by_sound
from tests.support.speech import in_a_room, pink_noise, quiet, voice


def tone(seconds: float, rms: float) -> Samples:
    at = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    return (np.sqrt(2) * rms * np.sin(2 * np.pi * 440 * at)).astype(np.int16)


def spoken(*parts: Samples, noise: float) -> Samples:
    sound = np.concatenate(parts)
    return (sound + pink_noise(len(sound), noise)).astype(np.int16)


def words(*times: tuple[float, float]) -> list[Word]:
    return [Word("five", start, end) for start, end in times]


HUSH = quiet(1.0)


def test_a_word_that_was_ended_too_soon_ends_where_its_sound_does() -> None:
    sound = spoken(HUSH, tone(0.5, 3000), quiet(0.25), tone(0.3, 3000), noise=10)
    first, second = ended_by_sound(words((1.0, 1.25), (1.75, 1.9)), sound)
    assert first.end == pytest.approx(1.5, abs=0.03)
    assert (second.start, second.end) == (1.75, 1.9), "the last has nothing after it"


def test_a_word_whose_pause_noise_hides_keeps_its_end() -> None:
    sound = spoken(HUSH, tone(0.5, 300), quiet(0.25), tone(0.3, 300), noise=600)
    first, _ = ended_by_sound(words((1.0, 1.25), (1.75, 1.9)), sound)
    assert first.end == 1.25


def test_words_are_neither_ended_sooner_nor_run_into_the_next() -> None:
    sound = spoken(HUSH, tone(2.0, 3000), noise=10)
    given = words((0.2, 0.9), (1.0, 1.25), (1.4, 1.5), (1.5, 1.6))
    for before, after in zip(given, ended_by_sound(given, sound), strict=True):
        assert before.end <= after.end
        assert before.start == after.start
    ended = ended_by_sound(given, sound)
    assert all(one.end <= other.start for one, other in itertools.pairwise(ended))
    assert ended_by_sound([], sound) == ()
    assert len(ended_by_sound(given, sound[:100])) == len(given), "sound that is cut short"


@pytest.fixture(scope="module")
def engine() -> Recogniser:
    protocol = load_protocol("isolation-airway")
    return choose("vosk", network(protocol), protocol.pronunciations)


@pytest.mark.parametrize(
    "said", ["give ketamine fifteen one five", "ketamine seventy", "plan bravo"]
)
@pytest.mark.parametrize("pause", [0.2, 0.35, 0.5])
def test_a_pause_is_as_long_as_it_was_made(engine: Recogniser, said: str, pause: float) -> None:
    sound = in_a_room(voice(said), quiet(pause), voice("copy"))
    hearing = engine.open()
    hearing.accept(sound)
    heard = ended_by_sound(hearing.finish(), sound)
    assert [word.text for word in heard] == [*said.split(), "copy"]
    assert heard[-1].start - heard[-2].end == pytest.approx(pause, abs=0.12)
