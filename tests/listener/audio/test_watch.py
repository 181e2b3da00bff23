"""What goes wrong with sound is said, and nothing is said of sound that is well."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.case.facts import Warned
from listener.audio.blocks import BLOCK, Block
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sources import AudioFile
from listener.audio.watches import Watching, watching
from listener.audio.watches.channels import ChannelSwap
from listener.audio.watches.clipping import Clipping, clipped
from listener.audio.watches.clock import ClockSet
from listener.audio.watches.silence import Silence

DRILLS = ("quick-clip", "well-run-drill", "faulty-drill")


def drill(name: str) -> Path:
    return Path(str(files("sample_audio_synthetic") / f"{name}.flac"))


def speech(seconds: float, peak: float = 0.5) -> Samples:
    sound, _ = soundfile.read(drill("well-run-drill"), frames=round(seconds * SAMPLE_RATE))
    scaled: Samples = np.clip(sound / np.abs(sound).max() * peak * 32767, -32768, 32767).astype(
        np.int16
    )
    return scaled


def noise(seconds: float, rms: float, seed: int = 1) -> Samples:
    drawn = np.random.default_rng(seed).normal(0.0, rms, round(seconds * SAMPLE_RATE))
    made: Samples = drawn.astype(np.int16)
    return made


def blocks(*channels: Samples) -> Iterator[Block]:
    sound = np.stack(channels, axis=1)
    for start in range(0, len(sound) - BLOCK + 1, BLOCK):
        yield Block(start / SAMPLE_RATE, sound[start : start + BLOCK])


def warnings(watching: Watching, sound: Iterable[Block]) -> list[Warned]:
    return [warned for block in sound for warned in watching.look(block)]


@pytest.mark.parametrize("name", DRILLS)
def test_nothing_is_said_of_a_drill(name: str) -> None:
    source = AudioFile(drill(name))
    assert warnings(watching(source), source.blocks()) == []


@pytest.mark.parametrize("peak", [0.05, 0.5, 1.0])
def test_nothing_is_said_of_speech_up_to_full_scale(peak: float) -> None:
    watches = Watching([Clipping(), Silence()])
    assert warnings(watches, blocks(speech(60, peak))) == []


def test_speech_four_times_too_loud_is_clipped_until_it_is_turned_down() -> None:
    watches = Watching([Clipping()])
    (warned,) = warnings(watches, blocks(speech(30, 4.0)))
    assert warned.what == "clipping"
    assert watches.troubles
    assert warnings(watches, blocks(speech(30, 0.5))) == []
    assert watches.troubles == ()


@pytest.mark.parametrize(("length", "flat"), [(0, False), (1, False), (2, False), (3, True)])
def test_the_last_samples_of_a_stream_are_looked_at_however_few_they_are(
    length: int, flat: bool
) -> None:
    assert clipped(np.full((length, 2), 32767, dtype=np.int16)) is flat


def test_one_bang_is_no_clipping() -> None:
    sound = speech(20)
    sound[32000:32400] = 32767
    assert warnings(Watching([Clipping()]), blocks(sound)) == []


def test_a_muted_channel_is_named_after_two_minutes_and_a_quiet_room_is_not() -> None:
    muted = np.zeros(180 * SAMPLE_RATE, dtype=np.int16)
    watches = Watching([Silence()])
    (warned,) = warnings(watches, blocks(noise(180, 20.0), muted))
    assert warned.what == "silence"
    assert warned.t == pytest.approx(120, abs=0.2)
    assert "channel 2" in warned.text
    assert warnings(watches, blocks(noise(1, 20.0), speech(1))) == []
    assert watches.troubles == ()


def test_channels_that_change_places_are_noticed_by_their_noise() -> None:
    hiss, hum = noise(120, 200.0), noise(120, 20.0, 2)
    words = speech(120, 0.3)
    one, two = hiss + words, hum + np.roll(words, 9 * SAMPLE_RATE)
    watches = Watching([ChannelSwap()])
    assert warnings(watches, blocks(one, two)) == []
    (warned,) = warnings(watches, blocks(two, one))
    assert warned.what == "channels"
    assert "1 and 2" in warned.text


def test_channels_that_sound_alike_are_never_said_to_have_changed_places() -> None:
    one, two = noise(90, 60.0) + speech(90, 0.3), noise(90, 80.0, 2)
    watches = Watching([ChannelSwap()])
    assert warnings(watches, [*blocks(one, two), *blocks(two, one)]) == []


@pytest.mark.parametrize(("step", "word"), [(-3600.0, "back by 3600 s"), (90.0, "forward by 90 s")])
def test_a_clock_that_is_set_is_said_once(step: float, word: str) -> None:
    now = [0.0, 1.7e9]
    watches = Watching([ClockSet(lambda: now[0], lambda: now[1])])
    said, block_s = [], BLOCK / SAMPLE_RATE
    for number, block in enumerate(blocks(noise(120, 20.0))):
        now[0] += block_s
        now[1] += block_s * (1 + 1e-4)  # kept right by 100 ppm meanwhile
        now[1] += step if number == 30 / block_s else 0.0
        said += watches.look(block)
    (warned,) = said
    assert word in warned.text
    assert warned.t == pytest.approx(30, abs=0.2)
