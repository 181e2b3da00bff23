"""Where sound comes from: files of any rate, raw samples, a microphone; and what bad input says."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.errors import UserError
from listener.audio.blocks import BLOCK, reblocked
from listener.audio.microphone import CapturedSound, timed
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sources import AudioFile, Block, Microphone, RawPcm, paced


def tone(
    rate: int, seconds: float, hz: float = 440.0
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(round(rate * seconds)) / rate)


def joined(blocks: Iterator[Block]) -> Samples:
    """The blocks' samples, their clock checked to count them without a gap."""
    parts: list[Samples] = []
    at = 0
    for block in blocks:
        assert block.t == pytest.approx(at / SAMPLE_RATE)
        assert 0 < len(block.samples) <= BLOCK
        parts.append(block.samples)
        at += len(block.samples)
    return np.concatenate(parts)


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 44100, 48000, 96000])
@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_a_file_of_any_rate_is_heard_at_16_khz(tmp_path: Path, rate: int, kind: str) -> None:
    path = tmp_path / f"tone.{kind}"
    soundfile.write(path, tone(rate, 2.0), rate)
    heard = joined(AudioFile(path).blocks())
    assert heard.shape[1] == 1
    assert len(heard) == pytest.approx(2.0 * SAMPLE_RATE, abs=2)
    middle = slice(4000, 28000)
    expected = tone(SAMPLE_RATE, 2.0) * 32768
    np.testing.assert_allclose(heard[middle, 0], expected[middle], atol=40)


def test_resampling_agrees_with_scipy(tmp_path: Path) -> None:
    """scipy.signal.resample_poly, on noise below 3 kHz, where both filters pass everything."""
    from scipy.signal import resample_poly

    path = tmp_path / "noise.wav"
    slow = np.random.default_rng(1).standard_normal(16000) * 0.1
    sound = resample_poly(slow, 8, 1)
    soundfile.write(path, sound, 48000, subtype="FLOAT")
    heard = joined(AudioFile(path).blocks())[:, 0]
    expected = resample_poly(sound, 1, 3) * 32768
    middle = slice(2000, -2000)
    error = heard[: len(expected)][middle] - expected[middle]
    assert np.sqrt(np.mean(error**2)) < 0.01 * expected.std()


def test_channels_stay_apart(tmp_path: Path) -> None:
    path = tmp_path / "two.wav"
    left, right = tone(44100, 1.0, 300.0), tone(44100, 1.0, 900.0)
    soundfile.write(path, np.stack([left, right], axis=1), 44100)
    source = AudioFile(path)
    heard = joined(source.blocks())
    assert source.channels == heard.shape[1] == 2
    for channel, hz in enumerate((300, 900)):
        spectrum = np.abs(np.fft.rfft(heard[:16000, channel].astype(float), 16000))
        assert abs(int(spectrum.argmax()) - hz) <= 1


def test_a_file_at_16_khz_passes_unchanged(tmp_path: Path) -> None:
    samples = np.random.default_rng(2).integers(-32768, 32768, (5000, 2)).astype(np.int16)
    soundfile.write(tmp_path / "x.flac", samples, SAMPLE_RATE)
    np.testing.assert_array_equal(joined(AudioFile(tmp_path / "x.flac").blocks()), samples)


def test_what_is_beyond_full_scale_is_clipped_not_wrapped(tmp_path: Path) -> None:
    sound = np.array([2.0, -2.0, np.nan, 0.25] * 100, np.float32)
    soundfile.write(tmp_path / "hot.wav", sound, SAMPLE_RATE, subtype="FLOAT")
    heard = joined(AudioFile(tmp_path / "hot.wav").blocks())[:4, 0]
    assert heard.tolist() == [32767, -32768, 0, 8192]


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"There is no file .*none\.wav"):
        AudioFile(tmp_path / "none.wav")


def test_a_folder_is_no_audio(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="is a folder"):
        AudioFile(tmp_path)


@pytest.mark.parametrize("content", [b"", b"not audio at all, though long enough to look at" * 50])
def test_a_file_that_is_not_audio_is_said(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "talk.wav"
    path.write_bytes(content)
    with pytest.raises(UserError, match=r"talk\.wav cannot be read as audio: format not recogn"):
        AudioFile(path)


def test_empty_audio_is_said(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "e.wav", np.zeros(0), SAMPLE_RATE)
    with pytest.raises(UserError, match=r"e\.wav is empty"):
        AudioFile(tmp_path / "e.wav")


def test_a_file_cut_short_is_heard_up_to_there_and_then_said(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(-3000, 3000, 80000).astype(np.int16)
    soundfile.write(tmp_path / "whole.flac", noise, SAMPLE_RATE)
    data = (tmp_path / "whole.flac").read_bytes()
    (tmp_path / "cut.flac").write_bytes(data[: len(data) // 2])
    heard = 0
    with pytest.raises(UserError, match="cannot be read further"):
        for block in AudioFile(tmp_path / "cut.flac").blocks():
            heard += len(block.samples)
    assert heard > 30000


class Dribble(io.RawIOBase):
    """A pipe that gives a few bytes at a time, odd numbers included."""

    def __init__(self, data: bytes, most: int) -> None:
        self._data, self._most = io.BytesIO(data), most

    def read(self, size: int = -1) -> bytes:
        return self._data.read(min(size, self._most))


@pytest.mark.parametrize("most", [1, 3, 999, 100000])
def test_raw_samples_come_through_a_pipe_of_any_pace(most: int) -> None:
    samples = np.random.default_rng(4).integers(-32768, 32768, 4001).astype(np.int16)
    source = RawPcm(Dribble(samples.astype("<i2").tobytes(), most))  # type: ignore[arg-type]
    np.testing.assert_array_equal(joined(source.blocks())[:, 0], samples)


def test_a_pipe_without_a_sample_is_said() -> None:
    with pytest.raises(UserError, match="No audio came from standard input"):
        list(RawPcm(io.BytesIO(b"x")).blocks())


def test_blocks_are_a_twentieth_of_a_second_whatever_came_in() -> None:
    pieces = [np.zeros((n, 2), np.int16) for n in (1, 1500, 350)]
    assert [len(block.samples) for block in reblocked(iter(pieces))] == [800, 800, 251]


def test_paced_blocks_come_when_they_would_have_been_spoken() -> None:
    now = [50.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    blocks = reblocked(iter([np.zeros((2000, 1), np.int16)]))
    arrivals = []
    for block in paced(blocks, sleep, lambda: now[0]):
        arrivals.append(now[0] - 50.0)
        if block.t == 0.0:
            now[0] += 0.08  # a busy moment, caught up by the next block
    assert arrivals == pytest.approx([0.05, 0.13, 0.13])
    assert slept == pytest.approx([0.05])


def test_a_missing_portaudio_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(UserError, match="install the package libportaudio2"):
        Microphone()


def test_sound_that_a_microphone_lost_leaves_its_length() -> None:
    piece = np.ones((4800, 1), np.int16)
    captured = [CapturedSound(piece, 10.0, False), CapturedSound(piece, 10.4, True)]
    blocks = list(timed(iter(captured), SAMPLE_RATE, 1))
    assert len(joined(iter(blocks))) == round(0.7 * SAMPLE_RATE)
    assert [block.lost_s for block in blocks if block.lost_s] == pytest.approx([0.1])


def test_a_microphone_at_another_rate_is_resampled() -> None:
    sound = np.rint(tone(48000, 1.0) * 32768).astype(np.int16)[:, np.newaxis]
    pieces = (
        CapturedSound(sound[at : at + 4800], at / 48000, False) for at in range(0, 48000, 4800)
    )
    heard = joined(timed(pieces, 48000, 1))
    expected = tone(SAMPLE_RATE, 1.0) * 32768
    np.testing.assert_allclose(heard[2000:14000, 0], expected[2000:14000], atol=40)
