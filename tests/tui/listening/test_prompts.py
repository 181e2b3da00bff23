"""Sounds and spoken prompts: different ones, quiet, in a pause, and never heard back as a call."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
import soundfile

from grammar.case.facts import Gap, Heard
from grammar.errors import UserError
from listener.audio.blocks import Block
from listener.audio.playback_suppression import PlaybackSuppression
from listener.audio.samples import Samples
from listener.audio.tones import PEAK, RATE, Floats, Kind, limited, spoken, tone, voice_beside
from listener.live import Live
from listener.storage.case_reader import open_case
from tests.grammar.case.test_record import case_of
from tests.support.needs import program
from tests.support.sound_card import Card, heard_whole, sound_card
from tui.listening.prompts import Prompter, due

KINDS: tuple[Kind, ...] = get_args(Kind)
QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
espeak = program("espeak-ng")


# ---------------------------------------------------------------------- the sounds


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_is_short_quiet_and_begins_and_ends_without_a_click(kind: Kind) -> None:
    sound = tone(kind)
    assert 0.2 < len(sound) / RATE < 1
    assert float(np.abs(sound).max()) <= PEAK
    assert abs(sound[0]) < 0.01 and abs(sound[-1]) < 0.01
    assert float(np.abs(np.diff(sound)).max()) < PEAK * 2 * np.pi * 1320 / RATE * 1.05


def test_the_three_sounds_differ_in_their_course_not_by_pitch_alone() -> None:
    envelopes = {kind: tuple(pitches(tone(kind))) for kind in KINDS}
    assert envelopes["timer-done"][0] < envelopes["timer-done"][-1]
    assert len(set(envelopes["nobody-answered"])) == 1
    assert len(set(envelopes["read-back-differs"])) == 2


def pitches(sound: Floats) -> Iterator[int]:
    """The loudest frequency of each 60 ms that is not silent, Hz, to the nearest hundred."""
    for start in range(0, len(sound) - 960, 960):
        piece = sound[start : start + 960]
        if np.abs(piece).max() > PEAK * 0.9:
            spectrum = np.abs(np.fft.rfft(piece * np.hanning(960)))
            yield round(int(spectrum.argmax()) * RATE / 960 / 100) * 100


@espeak
def test_a_spoken_prompt_is_quiet_and_short() -> None:
    sound = spoken("Read-back differs: Tube depth")
    assert 0.5 < len(sound) / RATE < 4
    assert float(np.abs(sound).max()) <= PEAK * 1.001


def test_a_loud_sound_is_made_quieter_as_a_whole() -> None:
    loud = np.array([0.0, 1.0, -0.5], dtype=np.float32)
    np.testing.assert_allclose(limited(loud), loud * PEAK)


def test_without_espeak_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(UserError, match="espeak-ng"):
        spoken("hello")


# ---------------------------------------------------------------------- what is told


def test_a_call_nobody_answered_a_wrong_read_back_and_a_timer_are_told() -> None:
    case = case_of("timer ten", "ten", "tube at twenty two", "tube at twenty", "send in the bougie")
    found = due(case.protocol, case.view(100))
    assert [prompt.kind for prompt in found] == [
        "read-back-differs",
        "nobody-answered",
        "timer-done",
    ]
    assert [prompt.text for prompt in found] == [
        "Read-back differs: Tube depth",
        "Nobody answered: Send in",
        "Timer done: 10 s",
    ]


def test_nothing_is_told_while_all_is_well() -> None:
    case = case_of("tube at twenty two", "twenty two")
    assert due(case.protocol, case.view(100)) == ()


def test_a_call_said_again_and_unanswered_again_is_told_again() -> None:
    case = case_of("send in the bougie", every=10)
    (first,) = due(case.protocol, case.view(30))
    again = case_of("send in the bougie", "say again", every=20)
    (second,) = due(again.protocol, again.view(100))
    assert first.key != second.key


class FakeLive:
    """A listening side of which the test says how quiet it is."""

    def __init__(self) -> None:
        self.now, self.quiet_s, self.playback_suppression = 50.0, 10.0, PlaybackSuppression()
        self.told: list[Gap] = []

    playing_aloud = Live.playing_aloud

    def tell(self, fact: Gap) -> None:
        self.told.append(fact)


def prompter(
    live: FakeLive, play: Callable[[Floats, Callable[[], bool]], None], **wanted: bool
) -> Prompter:
    case = case_of("send in the bougie", "tube at twenty two", "tube at twenty")
    options = {"sounds": True, "speak": False, "through_air": True, **wanted}
    return Prompter(case.protocol, lambda: case.view(200), live, play=play, **options)  # type: ignore[arg-type]


def test_each_is_told_once_the_most_urgent_first_and_its_moment_is_a_gap() -> None:
    live, played = FakeLive(), []
    mine = prompter(live, lambda sound, _go_on: played.append(len(sound)))
    kinds = [prompt.kind for prompt in (mine.look(), mine.look()) if prompt]
    assert kinds == ["read-back-differs", "nobody-answered"]
    assert mine.look() is None
    assert played == [len(tone("read-back-differs")), len(tone("nobody-answered"))]
    assert [gap.reason for gap in live.told] == [
        "we told aloud: read-back differs",
        "we told aloud: nobody answered",
    ]


def test_it_waits_for_a_pause() -> None:
    live = FakeLive()
    mine = prompter(live, lambda _sound, _go_on: None)
    live.quiet_s = 0.0
    assert mine.look() is None
    live.quiet_s = 1.0
    assert mine.look() is not None


def test_a_sound_breaks_off_when_somebody_speaks_and_hearing_is_back_at_once() -> None:
    live, heard = FakeLive(), []

    def play(_sound: Floats, go_on: Callable[[], bool]) -> None:
        heard.append(go_on())
        live.playback_suppression.interrupted.set()
        heard.append(go_on())

    prompter(live, play).look()
    assert heard == [True, False]
    assert live.told[0].until == live.now


def test_what_does_not_go_through_the_air_mutes_nothing() -> None:
    live = FakeLive()
    prompter(live, lambda _sound, _go_on: None, through_air=False).look()
    assert live.told == []


# ---------------------------------------------------------------------- the microphone meanwhile


def noise(seconds: float, peak: int = 60) -> Samples:
    made = np.random.default_rng(1).integers(-peak, peak, round(seconds * RATE))
    return made.astype(np.int16)[:, None]


def test_the_muted_stretch_is_the_rooms_noise_and_the_rest_is_as_it_was() -> None:
    muting = PlaybackSuppression()
    room = muting.heard(Block(0.0, noise(0.1)))
    muting.begin(0.15)
    loud = np.full((1600, 1), 9000, dtype=np.int16)
    muted = muting.heard(Block(0.1, loud))
    assert (muted.samples[:800] == 9000).all()
    assert np.abs(muted.samples[800:]).max() <= np.abs(room.samples).max()
    muting.end(0.25)
    after = muting.heard(Block(0.2, loud))
    assert np.abs(after.samples[:800]).max() <= np.abs(room.samples).max()
    assert (after.samples[800:] == 9000).all()


def test_a_voice_beside_a_sound_is_told_from_the_sound_alone() -> None:
    speech, _ = soundfile.read(QUICK, dtype="int16")
    loudest = max(
        range(0, len(speech) - 1600, 800), key=lambda at: abs(speech[at : at + 1600]).sum()
    )
    for kind in KINDS:
        sound = np.resize(tone(kind), 1600)
        ours = (sound * 32767).astype(np.int16)
        both = np.clip(ours.astype(int) + speech[loudest : loudest + 1600], -32768, 32767)
        assert voice_beside(both.astype(np.int16), -80.0)
        # However its beginning and end fall into what is looked at.
        alone = np.concatenate([np.zeros(3200), tone(kind), np.zeros(3200)])
        for start in range(0, len(alone) - 1600, 100):
            piece = (alone[start : start + 1600] * 32767).astype(np.int16)
            assert not voice_beside(piece, -100.0)


def until_it_listens(cases: Path) -> None:
    for _ in range(300):
        if any(cases.glob("*/audio.flac")):
            time.sleep(4)  # the sound server fills its buffers first
            return
        time.sleep(0.1)
    raise AssertionError("it does not listen")


@espeak
@pytest.mark.slow
@sound_card
def test_a_prompt_played_into_the_microphone_is_logged_as_a_gap_and_never_as_a_call(
    card: Card,
    tmp_path: Path,
) -> None:
    """The first call of the sample goes unanswered: its prompt names a call of the protocol."""
    speech, rate = soundfile.read(QUICK, dtype="int16")
    soundfile.write(tmp_path / "first.wav", speech[: 4 * rate], rate)
    assert card.run("pactl", "set-default-sink", "room").returncode == 0
    command = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    hasty = tmp_path / "hasty.toml"
    hasty.write_text(text.replace("window_s = 12", "window_s = 3"))
    wanted = ["listen", "--json", "--sounds", "--speak", "--protocol", str(hasty), "--cases"]

    def hear(cases: Path) -> tuple[list[str], Path]:
        listening = subprocess.Popen(
            [*command, *wanted, str(cases)],
            env=card.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        try:
            until_it_listens(cases)
            card.play(tmp_path / "first.wav")
            time.sleep(11)  # its window passes, and the prompt is played
        finally:
            listening.send_signal(signal.SIGINT)
        out, error = listening.communicate(timeout=30)
        assert listening.returncode == 0, error
        (folder,) = cases.iterdir()
        return [json.loads(line)["call"] for line in out.splitlines()[:-1]], folder

    told, folder = heard_whole(hear, lambda heard: "radio-check" in heard[0], tmp_path)
    assert told == ["radio-check"]
    stored = open_case(folder)
    gaps = [f for f in stored.facts if isinstance(f, Gap) and "told aloud" in f.reason]
    assert len(gaps) == 1  # the sound and the words
    assert 2 < gaps[0].until - gaps[0].t < 6
    # It did play, into the very microphone, and stands in the recording.
    loud = np.abs(stored.sound(gaps[0].t, gaps[0].until)).max()
    assert loud > 0.1 * PEAK * 32767
    assert loud <= 1.05 * PEAK * 32767
    assert sum(isinstance(fact, Heard) for fact in stored.facts) == 1
