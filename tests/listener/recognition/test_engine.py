"""A recogniser that hangs or dies is started again, and what was said meanwhile is heard late."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.case.facts import Gap, Heard, Warned
from grammar.case.fold import Case
from grammar.case.view import HeardUpTo
from grammar.errors import UserError
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.audio.sources import RawPcm
from listener.live import HOLDS_S, Live
from listener.recognition.engines import choose
from listener.recognition.recogniser import HearingFailed, Recogniser
from listener.recognition.supervised_recogniser import SupervisedRecogniser
from listener.storage.journal import Journal
from tests.support import failing_engines, streams

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
WAYS = ("hangs", "dies", "raises")
PIECE = np.ones(1600, dtype=np.int16)


def failing(
    tmp_path: Path, how: str, at: int, times: int, make: Callable[..., Recogniser] | None = None
) -> SupervisedRecogniser:
    left = tmp_path / "left"
    left.write_text(str(times))
    made = make or failing_engines.counting
    return SupervisedRecogniser(partial(made, how, at, left), patience_s=2.0)


@pytest.mark.parametrize(
    ("how", "at"), [("hangs", 3), *((how, at) for how in WAYS[1:] for at in (1, 3, 5))]
)
def test_no_sample_is_lost_when_the_engine_fails(tmp_path: Path, how: str, at: int) -> None:
    """The first request, one in the middle, and the end of a segment of four pieces."""
    engine = failing(tmp_path, how, at, 1)
    hearing = engine.open()
    for _ in range(4):
        hearing.accept(PIECE)
    assert hearing.partial() == "6400"
    assert [word.text for word in hearing.finish()] == ["6400"]
    (news,) = engine.news()
    assert "started again" in news
    assert list(engine.news()) == []
    again = engine.open()
    again.accept(PIECE)
    assert [word.text for word in again.finish()] == ["1600"], "it hears on"
    engine.close()


def test_speech_of_another_channel_is_told_again_too(tmp_path: Path) -> None:
    engine = failing(tmp_path, "dies", 3, 1)
    one, two = engine.open(), engine.open()
    one.accept(PIECE)
    two.accept(PIECE)
    one.accept(PIECE)
    two.accept(PIECE[:100])
    assert [word.text for word in two.finish()] == ["1700"]
    assert [word.text for word in one.finish()] == ["3200"]
    engine.close()


def test_speech_at_which_every_engine_fails_is_given_up_and_the_next_is_heard(
    tmp_path: Path,
) -> None:
    engine = failing(tmp_path, "dies", 1, 2)
    bad = engine.open()
    bad.accept(PIECE)
    bad.accept(PIECE)
    with pytest.raises(HearingFailed, match="failed"):
        bad.finish()
    good = engine.open()
    good.accept(PIECE)
    assert [word.text for word in good.finish()] == ["1600"]
    engine.close()


def test_a_library_that_prints_disturbs_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    engine = SupervisedRecogniser(failing_engines.printing)
    assert engine.name == "counting"
    engine.close()
    assert capfd.readouterr() == ("", "")


def test_what_a_user_can_mend_is_said_as_ever(tmp_path: Path) -> None:
    nothing = Network(arcs=((),), finals=frozenset({0}))
    with pytest.raises(UserError, match="no recogniser"):
        SupervisedRecogniser(partial(choose, "none such", nothing, {}))


def test_an_engine_that_hangs_ends_with_the_one_that_listened() -> None:
    script = """
from tests.support import failing_engines, streams
from listener.recognition.supervised_recogniser import SupervisedRecogniser as Engine
engine = Engine(failing_engines.stuck)
print(engine.process.pid, flush=True)
hearing = engine.open()
hearing.accept(__import__("numpy").zeros(1600, dtype="int16"))
"""
    paths = {"PYTHONPATH": ":".join(sys.path)}
    listener = subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, env=paths
    )
    assert listener.stdout
    engine = Path(f"/proc/{int(listener.stdout.readline())}")
    if not engine.exists():
        pytest.skip("needs /proc")
    time.sleep(0.2)
    listener.kill()
    listener.wait()
    end = time.monotonic() + 10
    while engine.exists() and "Z" not in (engine / "stat").read_text():
        assert time.monotonic() < end, "the engine lives on"
        time.sleep(0.05)


def test_how_far_hearing_is_behind_is_said_for_as_long_as_it_is(tmp_path: Path) -> None:
    journal = Journal.create(tmp_path, "p", "", began=datetime(2025, 1, 1, tzinfo=UTC))  # invented
    source = RawPcm(io.BytesIO())
    live = Live(
        source=source,
        recogniser=failing_engines.Counting(),
        case=Case(load_protocol("isolation-airway")),
        journal=journal,
        observer=failing_engines.Nobody(),
        flac_writer=None,
        clock=lambda: datetime(2025, 1, 1, tzinfo=UTC),
    )
    live._capture.now, live._heard_s = 20.0, 5.0
    assert live.troubles == ("hearing is 15 s behind, nothing is left out",)
    live._heard_s = 19.0
    assert not live.troubles
    live.fact_writer.finish()


def heard_by(engine: SupervisedRecogniser, sound: Samples, cases: Path) -> list[object]:
    """The facts of a stream that comes at once."""
    facts = streams.heard_by(engine, sound, cases, news=engine.news)
    engine.close()
    return list(facts)


@pytest.mark.slow
@pytest.mark.parametrize("how", ["hangs", "dies"])
def test_every_call_of_a_clip_is_heard_although_the_engine_fails_in_it(
    tmp_path: Path, how: str
) -> None:
    sound, _ = soundfile.read(QUICK, dtype="int16")
    whole = failing(tmp_path, how, 10**9, 0, failing_engines.listening)
    expected = heard_by(whole, sound, tmp_path / "whole")
    broken = failing(tmp_path, how, 40, 1, failing_engines.listening)
    found = heard_by(broken, sound, tmp_path / "broken")
    said = [f for f in expected if isinstance(f, Heard)]
    late = [f for f in found if isinstance(f, Heard)]
    assert len(said) > 5
    assert [f.text for f in late] == [f.text for f in said]
    # Told again in other pieces, the decoder's times differ by a frame or two.
    assert [f.t for f in late] == pytest.approx([f.t for f in said], abs=0.1)
    warned = [f.what for f in found if isinstance(f, Warned)]
    assert sorted(warned) == ["behind", "engine"]
    assert not any(isinstance(f, Gap) for f in found)
    assert any(f.late_s > 3 for f in found if isinstance(f, Heard)), "the sound came at once"


@pytest.mark.slow
def test_while_an_engine_works_what_it_works_on_is_not_said_to_be_told(tmp_path: Path) -> None:
    sound, _ = soundfile.read(QUICK, dtype="int16")
    found: list[tuple[float, HeardUpTo]] = []

    class Slow(failing_engines.Counting):
        def open(self) -> failing_engines.CountingHearing:
            begun = live.heard.sound

            class Hearing(failing_engines.CountingHearing):
                def finish(self) -> tuple[Word, ...]:
                    found.append((begun, live.heard))
                    return super().finish()

            return Hearing()

    journal = Journal.create(tmp_path, "p", "", began=datetime(2025, 1, 1, tzinfo=UTC))  # invented
    live = Live(
        source=RawPcm(io.BytesIO(sound[: 20 * 16_000].tobytes())),
        recogniser=Slow(),
        case=Case(load_protocol("isolation-airway")),
        journal=journal,
        observer=failing_engines.Nobody(),
        flac_writer=None,
        clock=lambda: datetime(2025, 1, 1, tzinfo=UTC),
    )
    assert not live.sound_over
    live.run()
    assert len(found) > 3
    # Each is judged as told up to no later than where its speech began, or five seconds back.
    assert all(heard.told <= max(begun, heard.sound - HOLDS_S) for begun, heard in found)
    assert live.heard.told == live.heard.sound == pytest.approx(20.0, abs=0.2)
    assert live.sound_over
    live.fact_writer.finish()
