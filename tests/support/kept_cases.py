"""Cases to test keeping with: a whole one, made small and quickly."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from grammar.case.facts import CaseEnded, CaseStarted, Heard, Noted
from grammar.language.words import Word
from grammar.protocol.loading import source_text
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal

BEGAN = datetime(2026, 1, 2, 12, 0, tzinfo=UTC)  # invented
WALL = "2026-01-02T12:30:00+00:00"  # invented


def begin(cases: Path, passphrase: str | None = None) -> Journal:
    """A new case with a few facts; the caller ends it."""
    text, _ = source_text("isolation-airway")
    journal = Journal.create(cases, "isolation-airway", text, began=BEGAN, passphrase=passphrase)
    journal.append_next(CaseStarted(protocol="isolation-airway", weight_kg=70.0, wall=WALL))
    for number, said in enumerate(["ketamine in", "sats ninety four percent", "copy"], start=1):
        words = tuple(
            Word(w, number + i / 4, number + (i + 1) / 4) for i, w in enumerate(said.split())
        )
        journal.append_next(
            Heard(t=words[0].start, until=words[-1].end, words=words, engine="vosk")
        )
    journal.append_next(Noted(t=5.0, text="überprüft – a mark", mark=True))
    return journal


def end(journal: Journal) -> Path:
    """End the case and close it."""
    journal.append_next(CaseEnded(t=6.0, wall=WALL))
    journal.close()
    return journal.folder


def noise(seconds: float, seed: int = 1) -> np.ndarray[tuple[int, int], np.dtype[np.int16]]:
    """Sound that does not compress to nothing, shape (n, 1), 16 kHz."""
    chance = np.random.default_rng(seed)
    return chance.integers(-3000, 3000, (round(16_000 * seconds), 1)).astype(np.int16)


def record(journal: Journal, seconds: float = 6.0, name: str = AUDIO) -> None:
    """Give the case sound."""
    recording = FlacWriter(journal.folder / name, 1, journal.keys)
    recording.write(noise(seconds))
    recording.close()
