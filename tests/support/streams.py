"""A stream that comes at once, heard as a case of its own."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path

from grammar.case.facts import Fact
from grammar.case.fold import Case
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.audio.sources import RawPcm
from listener.confidence.verifier import Verifier
from listener.live import Live
from listener.recognition.recogniser import Recogniser
from listener.storage.journal import Journal
from tests.support import failing_engines


def heard_by(
    engine: Recogniser,
    sound: Samples,
    cases: Path,
    *,
    news: Callable[[], Iterable[str]],
    verifier: Verifier | None = None,
) -> list[Fact]:
    """The facts of a stream, each of them stored; `news` is of what may fail."""
    now = datetime(2025, 1, 1, tzinfo=UTC)  # invented
    journal = Journal.create(cases, "p", "", began=now)
    live = Live(
        source=RawPcm(io.BytesIO(sound.tobytes())),
        recogniser=engine,
        case=Case(load_protocol("isolation-airway")),
        journal=journal,
        observer=failing_engines.Nobody(),
        flac_writer=None,
        clock=lambda: now,
        engine_news=news,
        verifier=verifier,
    )
    live.run()
    assert live.fact_writer.finish() == 0
    return journal.facts()
