"""Where speech begins and ends, in quiet and in noise."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import (
    Segmenter,
    SpeechBegan,
    SpeechEnded,
    SpeechWent,
    VoiceActivitySettings,
    level_dbfs,
)
from tests.support.speech import espeak, pink_noise

CALLS = ("fentanyl in", "help", "six", "saturation ninety four", "cuff up", "thirty")
PAUSE_S = 2.0


def segments(
    samples: Samples, piece: int = 1600, how: VoiceActivitySettings | None = None
) -> list[tuple[float, float, Samples]]:
    """(begin, end, samples) of each segment, its samples checked to be the sound between."""
    segmenter = Segmenter(how)
    pieces = [samples[at : at + piece] for at in range(0, len(samples), piece)]
    events = [event for each in pieces for event in segmenter.push(each)] + segmenter.flush()
    found: list[tuple[float, float, Samples]] = []
    parts: list[Samples] = []
    began = -1.0
    for event in events:
        match event:
            case SpeechBegan(t, first):
                assert began < 0, "two beginnings without an end"
                began, parts = t, [first]
            case SpeechWent(more):
                assert began >= 0, "sound outside a segment"
                parts.append(more)
            case SpeechEnded(t):
                heard = np.concatenate(parts)
                at = round(began * SAMPLE_RATE)
                np.testing.assert_array_equal(heard, samples[at : at + len(heard)])
                assert at + len(heard) == round(t * SAMPLE_RATE)
                found.append((began, t, heard))
                began = -1.0
    assert began < 0, "a segment without an end"
    assert all(a[1] <= b[0] for a, b in itertools.pairwise(found)), "sound in two segments"
    return found


def trimmed(sound: Samples) -> Samples:
    loud = np.flatnonzero(np.abs(sound) > 0.01 * np.abs(sound).max())
    return sound[loud[0] : loud[-1] + 1]


def scene(level: float) -> tuple[Samples, list[tuple[float, float]]]:
    """Calls with pauses between, each of `level` rms in steps, and when each is spoken."""
    parts: list[Samples] = [np.zeros(SAMPLE_RATE * 3, np.int16)]
    spoken = []
    at = len(parts[0])
    for call in CALLS:
        sound = trimmed(espeak(call)).astype(np.float64)
        said = np.rint(sound / sound.std() * level).astype(np.int16)
        spoken.append((at / SAMPLE_RATE, (at + len(said)) / SAMPLE_RATE))
        parts += [said, np.zeros(round(PAUSE_S * SAMPLE_RATE), np.int16)]
        at += len(said) + len(parts[-1])
    return np.concatenate(parts), spoken


def lost(sound: Samples, spoken: list[tuple[float, float]]) -> list[str]:
    """The calls that do not lie whole in one segment."""
    found = segments(sound)
    return [
        call
        for call, (begin, end) in zip(CALLS, spoken, strict=True)
        if not any(a <= begin and end <= b for a, b, _ in found)
    ]


@pytest.mark.parametrize("snr_db", [20, 10, 5])
@pytest.mark.parametrize("level", [3000.0, 300.0, 100.0], ids=["loud", "quiet", "faint"])
def test_no_call_loses_its_first_or_last_sound_in_noise(level: float, snr_db: float) -> None:
    sound, spoken = scene(level)
    noisy = sound + pink_noise(len(sound), level * 10 ** (-snr_db / 20))
    assert lost(np.clip(noisy, -32768, 32767).astype(np.int16), spoken) == []


@pytest.mark.parametrize("level", [3000.0, 100.0], ids=["loud", "faint"])
def test_no_call_is_lost_between_exact_zeros(level: float) -> None:
    sound, spoken = scene(level)
    assert lost(sound, spoken) == []


def test_calls_two_seconds_apart_are_segments_of_their_own() -> None:
    sound, _ = scene(3000.0)
    assert len(segments(sound)) == len(CALLS)


def test_a_call_from_the_very_first_sample_is_whole() -> None:
    sound = trimmed(espeak("saturation ninety four"))
    (begin, end, _), *_ = segments(np.concatenate([sound, np.zeros(16000, np.int16)]))
    assert begin == 0.0
    assert end >= len(sound) / SAMPLE_RATE


@pytest.mark.parametrize("rms", [3.0, 30.0, 3000.0])
def test_steady_noise_is_no_speech(rms: float) -> None:
    noise = np.clip(pink_noise(SAMPLE_RATE * 60, rms), -32768, 32767).astype(np.int16)
    # Until the noise is known, up to a second, it may pass for speech.
    assert [segment[:2] for segment in segments(noise) if segment[0] > 0.5] == []


def test_a_ventilator_that_starts_is_noise_after_a_few_seconds() -> None:
    noise = pink_noise(SAMPLE_RATE * 30, 30.0)
    noise[SAMPLE_RATE * 15 :] *= 8
    assert all(end < 20.5 for _, end, _ in segments(noise.astype(np.int16)))


def test_clicks_are_no_speech() -> None:
    sound = pink_noise(SAMPLE_RATE * 20, 30.0).astype(np.int16)
    click = (8000 * np.exp(-np.arange(160) / 40) * np.cos(np.arange(160))).astype(np.int16)
    for at in range(SAMPLE_RATE * 2, len(sound) - 160, SAMPLE_RATE):
        sound[at : at + 160] += click
    assert [segment[:2] for segment in segments(sound) if segment[0] > 0.5] == []


def test_exact_zeros_are_no_speech() -> None:
    assert segments(np.zeros(SAMPLE_RATE * 10, np.int16)) == []


def test_no_segment_is_longer_than_the_longest() -> None:
    talk = np.tile(trimmed(espeak("pressure one thirty over eighty")), 30)
    found = segments(talk)
    assert len(found) > 1
    assert all(end - begin <= VoiceActivitySettings().longest_s + 0.02 for begin, end, _ in found)
    assert sum(len(part) for _, _, part in found) >= len(talk) - SAMPLE_RATE // 10


@settings(max_examples=15, deadline=None)
@given(st.integers(min_value=1, max_value=5000))
def test_how_the_sound_is_cut_into_pieces_changes_nothing(piece: int) -> None:
    rng = np.random.default_rng(7)
    sound = (rng.standard_normal(SAMPLE_RATE * 5) * 20).astype(np.int16)
    sound[20000:30000] += (rng.standard_normal(10000) * 2000).astype(np.int16)
    assert [s[:2] for s in segments(sound, piece)] == [s[:2] for s in segments(sound)]


def test_the_level_of_a_full_scale_square_is_zero() -> None:
    square = np.tile(np.array([32767, -32767], np.int16), 100)
    assert level_dbfs(square) == pytest.approx(0.0, abs=0.01)
    assert level_dbfs(np.zeros(10, np.int16)) == level_dbfs(np.zeros(0, np.int16)) == -100.0


def test_the_level_of_a_sine_is_three_decibels_below_its_peak() -> None:
    """A sine's root mean square is its peak over the square root of two: 3.01 dB."""
    sine = np.rint(32767 * np.sin(np.arange(16000) * 2 * np.pi * 440 / 16000)).astype(np.int16)
    assert level_dbfs(sine) == pytest.approx(-3.01, abs=0.01)
