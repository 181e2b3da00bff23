"""Invented cases on disk, for tests of what is made from stored cases."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import soundfile

from grammar.case.facts import Amended, CaseEnded, CaseStarted, Fact, Noted
from grammar.protocol.loading import source_text
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal
from tests.support.screens import heard

BEGAN = datetime(2026, 1, 2, 9, 30, tzinfo=UTC)

DRILL: tuple[Fact, ...] = (
    heard(3, "sats eighty nine percent", "drugs-nurse"),
    heard(6, "pressure one thirty over eighty", "drugs-nurse"),
    heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"),
    heard(16, "ketamine ninety milligrams", "drugs-nurse"),
    heard(25, "ketamine ninety milligrams in", "drugs-nurse"),
    heard(30, "outside start timer three minutes", "team-leader"),
    heard(50, "drugs nurse give rocuronium fifty milligrams", "team-leader"),
    heard(55, "rocuronium fifteen milligrams", "drugs-nurse"),
    heard(70, "anteroom send in the bougie", "airway-operator"),
    heard(90, "sending in the bougie", "anteroom"),
    heard(95, "sats ninety four percent", "drugs-nurse"),
    heard(100, "starting attempt", "airway-operator"),
    heard(112, "tube passed", "airway-operator"),
    Noted(t=120.0, text="<script>alert(1)</script> & a mark", mark=True),
    heard(130, "what is for lunch"),
    Amended(t=140.0, target=2, words="sats eighty eight percent"),
    CaseEnded(t=200.0),
)
"""A case with one of everything that a debrief shows."""


def store(
    place: Path,
    facts: Sequence[Fact] = DRILL,
    days: float = 0.0,
    *,
    sound: bool = False,
    scenario: str = "",
) -> Path:
    """A case folder under `place` that began so many days after BEGAN."""
    began = BEGAN + timedelta(days=days)
    text, _ = source_text("isolation-airway")
    place.mkdir(exist_ok=True)
    journal = Journal.create(place, "isolation-airway", text, began=began)
    start = CaseStarted(
        wall=began.isoformat(),
        protocol="isolation-airway",
        weight_kg=70,
        engine="vosk",
        source="invented",
        recording=sound,
        scenario=scenario,
    )
    for fact in (start, *facts):
        journal.append_next(fact)
    journal.close()
    if sound:
        spoken, _ = soundfile.read(
            str(files("sample_audio_synthetic") / "quick-clip.flac"), dtype="int16", always_2d=True
        )
        recording = FlacWriter(journal.folder / AUDIO, 1)
        for _ in range(3):
            recording.write(spoken)
        recording.close()
    return journal.folder
