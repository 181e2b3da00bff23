"""Who speaks what to train our acoustic model, with which label, and in which conditions."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from num2words import num2words

from grammar.language.word_network import Network
from listener.bench import conditions
from listener.recognition.lexicon import build_lexicon
from listener.training import voices
from listener.training.clips import (
    Job,
    dictionary_words,
    everything_sayable,
    plan,
    read_jobs,
    write_jobs,
)
from listener.training.labels import best_phones, phones_of_ipa
from listener.training.texts import any_number, call_out, digits, sentence, spoken_number
from listener.training.wordlists import words
from tests.support.needs import module, program

needs_espeak = program("espeak-ng")


def test_no_voice_both_trains_and_scores() -> None:
    trained = {voice.name for voice in voices.voices("train")}
    assert not trained & {voice.name for voice in voices.voices("score")}
    assert len(voices.voices("score")) >= 8


def test_a_blend_holds_training_voices_only_and_the_same_seed_gives_the_same_voice() -> None:
    for seed in range(200):
        weights = voices.blend_weights(seed)
        assert set(weights) <= {*voices.TRAINING_ENGLISH, *voices.TRAINING_ACCENTED}
        assert sum(weights.values()) == pytest.approx(1.0)
        assert weights == voices.blend_weights(seed)


def test_every_voice_is_found_by_its_id() -> None:
    for voice in [*voices.voices(), voices.blend(17)]:
        assert voices.voice(voice.id) == voice
    with pytest.raises(KeyError):
        voices.voice("kokoro/nobody")


def test_spoken_numbers_agree_with_num2words() -> None:
    """Against the package num2words, whose British form joins with "and" and hyphenates."""
    rng = random.Random(1)
    for number in [*range(0, 1000, 7), 1000, 1016, 2500, 9999]:
        ours = spoken_number(number, rng).replace(" and ", " ").replace("a hundred", "one hundred")
        ours = ours.replace("a thousand", "one thousand")
        theirs = num2words(number).replace("-", " ").replace(",", "").replace(" and ", " ")
        assert ours == theirs


def test_radio_numerals_are_those_of_icao() -> None:
    """ICAO Annex 10 volume II, 5.2.1.4.3: tree, fower, fife, niner."""
    said = {digits(3459, random.Random(seed)) for seed in range(60)}
    assert said == {"three four five nine", "tree fower fife niner"}


def test_every_word_of_our_own_texts_can_be_pronounced() -> None:
    rng = random.Random(2)
    lexicon = everything_sayable({})
    said = {word for _ in range(3000) for word in f"{call_out(rng)} {any_number(rng)}".split()}
    assert sorted(said - lexicon.keys()) == []


def test_our_own_pronunciations_use_phones_of_the_dictionary() -> None:
    ours = words().pronunciations
    assert set(build_lexicon(ours, ours)) == set(ours)


def test_a_random_sentence_is_one_that_the_network_accepts() -> None:
    network = Network(
        arcs=((("suction", 1), ("oxygen", 1)), (("on", 2), ("off", 2)), ()), finals=frozenset({2})
    )
    for seed in range(30):
        assert network.accepts(sentence(random.Random(seed), network).split())


def test_a_label_takes_the_pronunciation_that_was_spoken() -> None:
    says = {"bougie": ("B UW ZH IY", "B AW JH IY")}
    lexicon = build_lexicon(["the", "bougie"], says)
    spoken = phones_of_ipa("ðə bˈaʊdʒi")  # as espeak-ng 1.51 reads "the bougie"
    phones, distance = best_phones(["the", "bougie"], lexicon, spoken)
    assert phones == ["DH", "AH", "B", "AW", "JH", "IY0"]
    assert distance == 0
    assert best_phones(["the"], lexicon, phones_of_ipa("kˈæpnɑːɡɹəfi"))[1] > 1


def test_the_words_that_score_unheard_words_are_in_no_training_text() -> None:
    ours = words()
    lists = [
        getattr(ours, name) for name in ours.__slots__ if name not in ("unseen", "pronunciations")
    ]
    taught = {word for entries in lists for entry in entries for word in entry.split()}
    assert not set(ours.unseen) & (taught | set(dictionary_words()))
    assert set(build_lexicon(ours.unseen, {})) == set(ours.unseen)


def test_jobs_come_back_from_their_file_as_they_were(tmp_path: Path) -> None:
    jobs = [Job("a-1", "call", "flite/rms", 1.1, "oxygen on", ("AA", "K"), (3, 4))]
    write_jobs(tmp_path / "jobs.jsonl", jobs)
    assert read_jobs(tmp_path / "jobs.jsonl") == jobs


@pytest.mark.parametrize(("order", "low", "high"), [(2, None, 2200), (4, 350.0, 3300)])
def test_the_filters_are_scipys_butterworth(order: int, low: float | None, high: float) -> None:
    """Against scipy.signal.butter and sosfilt."""
    from scipy import signal

    sound = np.random.default_rng(3).standard_normal(8000)
    band = high if low is None else [low, high]
    kind = "lowpass" if low is None else "bandpass"
    sections = signal.butter(order, band, kind, fs=conditions.RATE, output="sos")
    expected = signal.sosfilt(sections, sound)
    assert np.abs(conditions.butterworth(sound, order, low, high) - expected).max() < 1e-6


@pytest.mark.parametrize(
    ("name", "below_db"), [("mask", 25), ("radio", 20), ("fan10", 10), ("fan5", 5)]
)
def test_noise_lies_as_far_below_the_speech_as_its_condition_says(
    name: str, below_db: float
) -> None:
    """A loud tone, then silence: what is heard in the silence is the noise."""
    at = np.arange(2 * conditions.RATE) / conditions.RATE
    sound = np.where(at < 1, np.sin(2 * np.pi * 1000 * at), 0.0)
    heard = conditions.applied(name, sound, 4).astype(float)
    tone, noise = heard[4000:12000], heard[-12000:]
    speech = np.sqrt(np.mean(tone**2) - np.mean(noise**2))
    assert 20 * np.log10(speech / np.sqrt(np.mean(noise**2))) == pytest.approx(below_db, abs=0.7)


def test_pink_noise_loses_three_decibels_an_octave() -> None:
    noise = conditions.pink_noise(1 << 18, np.random.default_rng(5))
    power = np.abs(np.fft.rfft(noise)) ** 2
    hertz = np.fft.rfftfreq(len(noise), 1 / conditions.RATE)
    octaves = [power[(hertz >= f) & (hertz < 2 * f)].mean() for f in (125, 250, 500, 1000, 2000)]
    assert 10 * np.log10(np.divide(octaves[:-1], octaves[1:])) == pytest.approx(3.01, abs=0.4)


def test_a_clip_sounds_the_same_each_time() -> None:
    sound = np.random.default_rng(6).standard_normal(8000) * 0.1
    for name in conditions.CONDITIONS:
        first, again = (conditions.applied(name, sound, 9) for _ in range(2))
        assert np.array_equal(first, again)


@needs_espeak
def test_a_plan_is_the_same_for_the_same_seed_and_every_clip_has_its_label() -> None:
    module("phonemizer", "train")
    network = Network(arcs=((("suction", 1),), (("ready", 2),), ()), finals=frozenset({2}))
    first, again = (list(plan(12, [network], {}, natural=False, seed=8)) for _ in range(2))
    assert first == again
    assert all(job.phones for job in first)
    assert {job.voice.partition("/")[0] for job in first} <= {"espeak", "flite", "festival", "pico"}
