"""A case that is ended while hearing lags: what is not heard is named, and its sound is kept."""

from __future__ import annotations

import io
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from grammar.case.facts import CaseEnded, Fact, Gap, HeardSoFar
from grammar.case.fold import Case
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE
from listener.audio.sources import RawPcm
from listener.live import NOT_HEARD_AT_END, Live
from listener.storage.case_reader import open_case
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal
from tests.support import failing_engines

NOW = datetime(2025, 1, 1, tzinfo=UTC)  # invented
LENGTH_S = 20.0


class Slow(failing_engines.Nobody):
    """Whoever looks at each block keeps hearing from going on until they are let go."""

    def __init__(self) -> None:
        self.go_on = threading.Event()
        self.blocks = 0

    def block(self, *_: object) -> None:
        self.blocks += 1
        if self.blocks > 5:
            self.go_on.wait(20)


def lagging(folder: Path) -> tuple[Live, Slow, threading.Thread]:
    """A case whose sound has all come, and is heard up to its first half second."""
    text = (Path(__file__).parents[2] / "grammar/protocol/shipped/isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(folder, "p", text, began=NOW)
    sound = np.random.default_rng(1).integers(-50, 50, round(LENGTH_S * SAMPLE_RATE), np.int16)
    slow = Slow()
    live = Live(
        source=RawPcm(io.BytesIO(sound.astype("<i2").tobytes())),
        recogniser=failing_engines.Counting(),
        case=Case(load_protocol("isolation-airway")),
        journal=journal,
        observer=slow,
        flac_writer=FlacWriter(journal.folder / AUDIO, 1),
        clock=lambda: NOW,
    )
    hearing = threading.Thread(target=live.run, daemon=True)
    hearing.start()
    until = time.monotonic() + 20
    while not live.sound_over and time.monotonic() < until:
        time.sleep(0.02)
    assert live.sound_over
    return live, slow, hearing


def facts_of(live: Live, hearing: threading.Thread) -> list[Fact]:
    hearing.join(20)
    assert not hearing.is_alive()
    assert live.fact_writer.finish() == 0
    return list(live.fact_writer.journal.facts())


@pytest.mark.parametrize("at_once", [True, False])
def test_what_is_not_heard_at_the_end_is_a_gap_and_its_sound_is_kept(
    tmp_path: Path, at_once: bool
) -> None:
    live, slow, hearing = lagging(tmp_path)
    live.stop(at_once=at_once)
    slow.go_on.set()
    facts = facts_of(live, hearing)
    gaps = [fact for fact in facts if isinstance(fact, Gap)]
    assert isinstance(facts[-1], CaseEnded)
    assert facts[-1].t == pytest.approx(LENGTH_S)
    if at_once:
        (gap,) = gaps
        assert gap.reason == NOT_HEARD_AT_END
        assert gap.t < 3.0
        assert gap.until == pytest.approx(LENGTH_S)
    else:
        assert not gaps, "whoever waits has all of it heard"
    stored = open_case(live.fact_writer.journal.folder)
    (kept,) = stored.sounds
    assert kept.kept.frames / SAMPLE_RATE == pytest.approx(LENGTH_S, abs=0.01)


def test_a_hearing_that_is_stuck_does_not_keep_others_from_knowing_how_far_it_is(
    tmp_path: Path,
) -> None:
    live, slow, hearing = lagging(tmp_path)
    until = time.monotonic() + 20
    while not any(isinstance(f, HeardSoFar) for f in live._case.facts):
        assert time.monotonic() < until
        time.sleep(0.02)
    far = [fact for fact in live._case.facts if isinstance(fact, HeardSoFar)]
    assert far[-1].late_s > 3
    assert far[-1].t <= 3.0
    slow.go_on.set()
    facts = facts_of(live, hearing)
    assert [fact.late_s for fact in facts if isinstance(fact, HeardSoFar)][-1] == 0
