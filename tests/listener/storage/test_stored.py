"""A case folder read back: facts, protocol and sound as they were kept."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from grammar.case.facts import CaseEnded, CaseStarted, Gap, Resumed
from grammar.errors import UserError
from grammar.protocol.loading import source_text
from listener.storage.case_reader import case_folders, open_case
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text, _ = source_text("isolation-airway")
    journal = Journal.create(
        tmp_path, "isolation-airway", text, began=datetime(2026, 1, 2, tzinfo=UTC)
    )
    journal.append_next(CaseStarted(protocol="isolation-airway", recording=True))
    _record(journal.folder / AUDIO, 1000, seconds=2)
    journal.append_next(Gap(t=2.0, until=5.0, reason="the case was broken off"))
    journal.append_next(Resumed(t=5.0, audio="audio-2.flac", recording=True))
    _record(journal.folder / "audio-2.flac", 2000, seconds=1)
    journal.append_next(CaseEnded(t=6.0))
    journal.close()
    return journal.folder


def _record(path: Path, value: int, seconds: int) -> None:
    recording = FlacWriter(path, 1)
    recording.write(np.full((16_000 * seconds, 1), value, np.int16))
    recording.close()


def test_a_stored_case_is_read_back_whole(folder: Path) -> None:
    stored = open_case(folder)
    assert [fact.kind for fact in stored.facts] == ["case-started", "gap", "resumed", "case-ended"]
    assert stored.protocol.protocol.id == "isolation-airway"
    assert stored.end == 6.0
    assert stored.case().view(6.0).ended == 6.0


def test_sound_is_found_on_the_case_s_clock_and_is_silent_in_the_gap(folder: Path) -> None:
    sound = open_case(folder).sound(1.5, 5.5)
    assert sound.shape == (64_000, 1)
    assert (sound[:8_000] == 1000).all()
    assert (sound[8_000:56_000] == 0).all()
    assert (sound[56_000:] == 2000).all()


def test_without_recordings_the_sound_is_silence(folder: Path) -> None:
    (folder / AUDIO).unlink()
    (folder / "audio-2.flac").unlink()
    assert not open_case(folder).sound(0.0, 6.0).any()


def test_case_folders_are_found_oldest_first_and_others_passed_over(folder: Path) -> None:
    (folder.parent / "notes").mkdir()
    assert list(case_folders(folder.parent)) == [folder]
    assert list(case_folders(folder)) == [folder]
    with pytest.raises(UserError, match="not a case folder"):
        open_case(folder.parent / "notes")
