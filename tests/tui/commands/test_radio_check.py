"""A set-up tried before a case: sound of known level and noise, and phrases spoken by espeak-ng."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.advice.trial_phrases import trial_phrases
from grammar.language.parse import Understanding
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sound_quality import advice, sound_check
from tests.support.speech import espeak, pink_noise
from tui.cli import main

SECOND = SAMPLE_RATE


def bursts(level_dbfs: float, noise_dbfs: float) -> Samples:
    """A second of tone, a second of none, five times, in white noise."""
    at = np.arange(10 * SECOND)
    tone = np.sin(2 * np.pi * 440 * at / SECOND) * np.sqrt(2) * 10 ** (level_dbfs / 20)
    noise = np.random.default_rng(1).standard_normal(len(at)) * 10 ** (noise_dbfs / 20)
    whole = tone * (at // SECOND % 2) + noise
    return np.clip(np.rint(whole * 32768), -32768, 32767).astype(np.int16)


@pytest.mark.parametrize("snr_db", [5, 10, 20, 30, 40])
@pytest.mark.parametrize("level_dbfs", [-30, -20])
def test_level_noise_and_their_ratio_are_those_that_were_put_in(
    level_dbfs: float, snr_db: float
) -> None:
    found = sound_check(bursts(level_dbfs, level_dbfs - snr_db))
    assert found.level_dbfs == pytest.approx(level_dbfs, abs=1)
    assert found.noise_dbfs == pytest.approx(level_dbfs - snr_db, abs=1)
    assert found.snr_db == pytest.approx(snr_db, abs=1)


@pytest.mark.parametrize(
    ("level_dbfs", "noise_dbfs", "says"),
    [
        (-20, -60, None),
        (2, -60, "clipped"),
        (-50, -80, "faint"),
        (-25, -31, "hardly"),
        (-25, -40, "noisy"),
        (-95, -80, "no speech"),
    ],
)
def test_the_advice_names_what_to_do(
    level_dbfs: float, noise_dbfs: float, says: str | None
) -> None:
    found = advice(sound_check(bursts(level_dbfs, noise_dbfs)))
    assert (found == []) if says is None else any(says in each for each in found)


@pytest.mark.parametrize("name", ["isolation-airway", "adult-arrest"])
def test_trial_phrases_are_calls_of_the_protocol_with_and_without_numbers(name: str) -> None:
    protocol = load_protocol(name)
    understanding = Understanding(protocol)
    read = [understanding.read(phrase.split()) for phrase in trial_phrases(protocol)]
    assert len(read) >= 3
    assert {meaning.kind for meaning in read} == {"call"}
    assert all(not meaning.doubts for meaning in read)
    assert any(meaning.reading and meaning.reading.slots for meaning in read)


def spoken(phrases: list[str], path: Path, snr_db: float | None = None) -> str:
    quiet = np.zeros(SECOND, np.int16)
    sound = np.concatenate([part for each in phrases for part in (quiet, espeak(each), quiet)])
    loudest = np.sort(np.abs(sound.astype(float)))[-len(sound) // 3 :].std()
    rms = 4.0 if snr_db is None else loudest * 10 ** (-snr_db / 20)
    noisy = np.clip(sound + pink_noise(len(sound), rms), -32768, 32767).astype(np.int16)
    soundfile.write(path, noisy, SAMPLE_RATE)
    return str(path)


def test_phrases_spoken_clearly_make_the_set_up_ready(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    phrases = trial_phrases(load_protocol("isolation-airway"))
    assert main(["radio-check", spoken(phrases, tmp_path / "clear.wav"), "--json"]) == 0
    told = capsys.readouterr()
    verdict = json.loads(told.out)
    assert verdict["ready"], verdict
    assert [each["phrase"] for each in verdict["phrases"]] == phrases
    assert told.err.splitlines()[1:] == [f"say: {phrase}" for phrase in phrases]
    assert verdict["snr_db"] > 20


def test_a_wrong_phrase_or_none_and_a_noisy_room_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    phrases = trial_phrases(load_protocol("isolation-airway"))
    said = ["ketamine in", *phrases[1:-1]]
    assert main(["radio-check", spoken(said, tmp_path / "noisy.wav", snr_db=10)]) == 0
    out = capsys.readouterr().out
    assert "NOT READY" in out
    assert f"NOT understood  {phrases[0]}  (heard: ketamine in)" in out
    assert f"NOT understood  {phrases[-1]}  (heard: nothing)" in out
    assert "come closer" in out
