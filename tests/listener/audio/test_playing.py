"""What a replay's clock says is what is heard: within 100 ms, and without drift."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from bisect import bisect_left
from typing import NamedTuple

import numpy as np
import pytest

from listener.audio.microphone import in_one_line
from listener.audio.playback import SPEEDS, Player, mono, player, stretcher
from listener.audio.samples import SAMPLE_RATE, Samples
from tests.support.sound_card import Card, sound_card

PLAYED = """
import sys, time
import numpy as np
from listener.audio.playback import Loudspeaker

RATE = 16000
EVERY = round(max(1.0, float(sys.argv[1])) * RATE)  # of the case: a beep a second of the loudspeaker

def clicks(start, end):
    t = np.arange(round(start * RATE), round(end * RATE))
    beep = (t % EVERY < EVERY // 20) & (t >= RATE)
    return (beep * 16000 * np.sin(t * 2 * np.pi * 1000 / RATE)).astype(np.int16)[:, None]

speaker = Loudspeaker(clicks, end=60.0, at=float(sys.argv[2]))
speaker.go_at(float(sys.argv[1]))
speaker.play()
# At half its pace a beep comes each two seconds; a busy machine begins late.
until = time.monotonic() + (7 if float(sys.argv[1]) >= 1 else 11)
while time.monotonic() < until:
    print(time.monotonic(), speaker.position, flush=True)
    time.sleep(0.005)
speaker.close()
"""


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_without_sound_it_goes_by_a_steady_clock_and_stops_at_the_end() -> None:
    clock = Clock()
    silent = Player(60.0, 10.0, clock)
    assert (silent.playing, silent.position) == (False, 10.0)
    silent.play()
    clock.now += 5
    assert silent.position == 15.0
    silent.go_at(8.0)
    clock.now += 2
    assert silent.position == 31.0
    silent.pause()
    clock.now += 50
    assert silent.position == 31.0
    silent.seek(55.0)
    silent.play()
    clock.now += 50
    assert (silent.playing, silent.position) == (False, 60.0)
    silent.play()
    assert (silent.playing, silent.position) == (True, 0.0)
    silent.seek(-5.0)
    assert silent.position == 0.0


def test_it_plays_from_half_to_eight_times_its_speed_and_no_other() -> None:
    assert (SPEEDS[0], SPEEDS[-1]) == (0.5, 8.0)
    for speed in (0.4, 9.0):
        with pytest.raises(ValueError, match="between"):
            Player(1.0).go_at(speed)


@pytest.mark.parametrize("speed", [0.5, 2.0, 3.0])
def test_stretched_sound_keeps_its_place_and_its_pitch(speed: float) -> None:
    seconds = np.arange(20 * SAMPLE_RATE) / SAMPLE_RATE
    spoken = np.where(seconds % 2 < 0.4, np.sin(2 * np.pi * 440 * seconds), 0).astype(np.float32)
    stretch = stretcher(speed)
    chunk = round(0.5 * SAMPLE_RATE * speed)
    made = np.concatenate([stretch(spoken[at : at + chunk]) for at in range(0, len(spoken), chunk)])
    assert len(made) == pytest.approx(len(spoken) / speed, rel=0.001)
    for second in range(2, 16, 2):  # each beep lies where its own time says
        at = round(second / speed * SAMPLE_RATE)
        long = round(0.4 / speed * SAMPLE_RATE)
        power = np.square(made[at - long : at + 2 * long])
        centre = float((power * np.arange(len(power))).sum() / power.sum())
        assert centre == pytest.approx(1.5 * long, abs=0.05 * SAMPLE_RATE)
    spectrum = np.abs(np.fft.rfft(made))
    assert np.argmax(spectrum) * SAMPLE_RATE / len(made) == pytest.approx(440, abs=5)


def test_all_channels_are_heard_at_once() -> None:
    both = np.array([[16384, 0], [0, -16384], [32767, 32767]], np.int16)
    assert mono(both).tolist() == [0.5, -0.5, 1.0]


def test_muted_or_without_a_loudspeaker_it_says_so_and_still_plays(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def silence(start: float, end: float) -> Samples:
        return np.zeros((0, 1), np.int16)

    found, why = player(silence, 60.0, 5.0, mute=True)
    assert (found.audible, found.position, why) == (False, 5.0, "muted")
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    found, why = player(silence, 60.0, 5.0, mute=False)
    assert not found.audible
    assert "PortAudio" in why


@pytest.mark.slow
@sound_card
@pytest.mark.parametrize("speed", [0.5, 1.0, 2.0, 8.0])
def test_the_clock_is_in_step_with_what_the_sound_card_plays(
    card: Card,
    speed: float,
) -> None:
    start = 3.3
    recorder = subprocess.Popen(
        [
            "parec",
            "--device=room.monitor",
            "--format=s16le",
            "--rate=16000",
            "--channels=1",
            "--latency-msec=10",
        ],
        env=card.environment,
        stdout=subprocess.PIPE,
    )
    assert recorder.stdout
    arrived: list[tuple[float, bytes]] = []

    def record() -> None:
        while data := recorder.stdout.read1(4096):  # type: ignore[union-attr]
            arrived.append((time.monotonic(), data))

    recording = threading.Thread(target=record)
    recording.start()
    played = subprocess.run(
        [sys.executable, "-c", PLAYED, str(speed), str(start)],
        env=card.environment,
        capture_output=True,
        text=True,
        check=False,
    )
    recorder.terminate()
    recording.join()
    assert played.returncode == 0, played.stderr
    log = [tuple(map(float, line.split())) for line in played.stdout.splitlines()]
    heard = onsets(arrived)
    assert len(heard) >= (5 if speed >= 1 else 3)
    errors = []
    for at in heard:
        index = min(bisect_left(log, (at,)), len(log) - 1)
        place = log[index][1]
        every = max(1.0, speed)
        errors.append((place - round(place / every) * every) / speed)
    print(f"speed {speed}: clock minus sound, ms: {[round(1000 * e) for e in errors]}")
    # A busy machine reads a beep late now and then, which says nothing of when it was played.
    in_step = [error for error in errors if abs(error) < 0.1]
    assert len(in_step) >= 0.8 * len(errors)


LOST = """
import sys, time
import numpy as np
from listener.audio.playback import Loudspeaker

speaker = Loudspeaker(lambda a, b: np.zeros((round((b - a) * 16000), 1), np.int16), end=600.0)

def tell():
    while True:
        told = speaker.trouble, time.monotonic(), speaker.position, time.monotonic()
        if told[0] == speaker.trouble:
            print(*told[1:], told[0], flush=True)
            return

speaker.go_at(2.0)
speaker.play()
until = time.monotonic() + 12
while time.monotonic() < until:
    tell()
    time.sleep(0.05)
speaker.seek(100.0)
tell()
time.sleep(0.5)
tell()
speaker.close()
"""


@pytest.mark.slow
@sound_card
def test_where_the_loudspeaker_goes_away_replay_goes_on_in_silence_and_says_so(
    card: Card,
) -> None:
    playing = subprocess.Popen(
        [sys.executable, "-c", LOST], env=card.environment, stdout=subprocess.PIPE, text=True
    )
    assert playing.stdout
    lines: list[Told] = []
    for line in playing.stdout:
        before, place, after, trouble = line.rstrip("\n").split(" ", 3)
        lines.append(Told(float(before), float(place), float(after), trouble))
        if len(lines) == 60:
            card.unplug()
    assert playing.wait() == 0
    first, *later, sought, last = lines
    assert (first.trouble, last.trouble) == ("", "the loudspeaker is gone: silent")
    lost = next(index for index, told in enumerate(later) if told.trouble)
    heard_last, one, other = later[lost - 1], later[lost], later[-1]
    assert in_step(one, other)
    # The two seconds until it was known to be gone count, from the piece of 20 ms that was heard last on;
    # nothing is gained by its going. No more can be asked: a busy machine may have been silent before.
    assert one.place - heard_last.place >= 2.0 * (2.0 - 0.02)
    started = next(told for told in later if told.place > 0)
    assert one.place - started.place <= 2.0 * (one.after - started.before) + 0.05
    assert 100.0 <= sought.place <= 100.0 + 2.0 * (sought.after - other.before)
    assert in_step(sought, last)


class Told(NamedTuple):
    """Where a replay stood, s, at a moment between two on a steady clock, s."""

    before: float
    place: float
    after: float
    trouble: str


def in_step(one: Told, other: Told) -> bool:
    """Whether a replay at twice its pace went on as the clock did, to 50 ms."""
    least, most = other.before - one.after, other.after - one.before
    return 2.0 * least - 0.05 <= other.place - one.place <= 2.0 * most + 0.05


def onsets(arrived: list[tuple[float, bytes]]) -> list[float]:
    """When each beep came out of the monitor, on the steady clock."""
    found: list[float] = []
    for t, data in arrived:
        samples = np.frombuffer(data[: len(data) // 2 * 2], np.int16)
        loud = np.flatnonzero(np.abs(samples) > 4000)
        if len(loud) and (not found or t - found[-1] > 0.3):
            # The block has arrived with its last sample.
            found.append(t - (len(samples) - loud[0]) / SAMPLE_RATE)
    return found


def test_a_machine_without_a_loudspeaker_says_so_in_words() -> None:
    # PortAudio's text where there is no default device, as sounddevice 0.5 raises it.
    none = ValueError("Error querying device -1")
    assert in_one_line(none, "loudspeaker") == "this machine has no loudspeaker"
    assert in_one_line(ValueError("Device unavailable."), "loudspeaker") == "Device unavailable"
