"""What is wrong with the disk is named, at once, while facts wait in memory."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

import listener.storage.passphrase
from grammar.case.facts import CaseStarted, RecordingSet, Warned
from grammar.case.fold import Case
from grammar.protocol.loading import load_protocol
from listener.storage.case_reader import open_case
from listener.storage.fact_writer import FactWriter
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import Journal
from listener.storage.passphrase import new_lock
from listener.storage.recording_thread import RecordingThread
from tests.listener.storage.test_storage_trouble import (
    BEGAN,
    PROTOCOL,
    keeper_in,
    long_note,
    texts,
    wait_until,
)
from tests.support.small_disk import failing_disk, small_disk

NOISE = np.random.default_rng(5).integers(-3000, 3000, (1600, 1)).astype(np.int16)
GONE = "the case's folder is gone: is its drive there"


def put(recorder: RecordingThread, blocks: range) -> None:
    """Noise, and all of it on its way."""
    for block in blocks:
        recorder.put(block / 10, NOISE)
    wait_until(recorder._waiting.empty)
    time.sleep(0.05)


def open_handles() -> int:
    return len([*Path("/proc/self/fd").iterdir()])


def test_a_drive_that_is_pulled_out_is_missed_at_the_next_fact_though_its_file_is_open(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "disk") as disk:
        keeper, folder = keeper_in(disk.path / "cases")
        for number in (1, 2, 3):
            keeper.keep(long_note(number))
        disk.away()
        for number in (4, 5):
            keeper.keep(long_note(number))
            assert keeper.stored == 3
        assert keeper.trouble == f"2 not stored yet: {GONE}"
        disk.back(read_only=True)
        # The first of the two had gone into the open file, and is there again.
        wait_until(lambda: keeper.trouble == "1 not stored yet: the disk is read-only")
        disk.trust()
        wait_until(lambda: not keeper.trouble)
        assert keeper.stored == 5
        assert keeper.mended() == "the disk is read-only"
        assert keeper.finish() == 0
        keeper.journal.close()
        assert texts(folder) == ["1", "2", "3", "4", "5"]


def test_a_case_folder_that_somebody_moved_is_missed(tmp_path: Path) -> None:
    keeper, folder = keeper_in(tmp_path)
    keeper.keep(long_note(1))
    folder.rename(tmp_path / "elsewhere")
    keeper.keep(long_note(2))
    assert keeper.trouble == f"1 not stored yet: {GONE}"
    (tmp_path / "elsewhere").rename(folder)
    wait_until(lambda: not keeper.trouble)
    assert keeper.finish() == 0
    assert texts(folder) == ["1", "2"]


def test_a_disk_that_fails_and_is_made_read_only_by_the_system_is_named(tmp_path: Path) -> None:
    with failing_disk(tmp_path) as (disk, error):
        keeper, folder = keeper_in(disk / "cases")
        recorder = RecordingThread(FlacWriter(folder / "audio.flac", 1), 1)
        put(recorder, range(20))
        keeper.keep(long_note(1))
        error.write_text("1")
        keeper.keep(long_note(2))
        put(recorder, range(20, 60))
        assert keeper.trouble == "1 not stored yet: the disk is read-only"
        assert recorder.trouble == "the sound is not recorded: the disk is read-only"
        assert keeper.finish(0.5) == 1
        recorder.close()


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("fill", "the disk is nearly full, 0.0 MB left"),
        ("away", GONE),
    ],
)
def test_trouble_is_named_before_anything_is_told(tmp_path: Path, what: str, said: str) -> None:
    with small_disk(tmp_path / "disk") as disk:
        journal = Journal.create(disk.path / "cases", "p", PROTOCOL, began=BEGAN)
        keeper = FactWriter(journal, retry_s=0.1, scarce_bytes=500_000)
        time.sleep(0.3)
        assert not keeper.trouble
        getattr(disk, what)()
        wait_until(lambda: keeper.trouble == f"what comes next may not be stored: {said}")
        disk.empty() if what == "fill" else disk.back()
        wait_until(lambda: not keeper.trouble)
        assert not keeper.mended(), "nothing had to wait"
        assert keeper.finish() == 0


@pytest.mark.parametrize("locked", [False, True])
@pytest.mark.parametrize(
    ("take", "give", "why"),
    [
        ("fill", "empty", "the disk is full"),
        ("away", "back", GONE),
    ],
)
def test_a_recording_says_why_it_broke_off_and_leaves_nothing_behind_in_vain(
    tmp_path: Path, locked: bool, take: str, give: str, why: str
) -> None:
    with small_disk(tmp_path / "disk", kilobytes=512) as disk:
        keys = new_lock("a passphrase") if locked else None
        folder = disk.path / "case"
        folder.mkdir()
        recorder = RecordingThread(FlacWriter(folder / "audio.flac", 1, keys), 1)
        put(recorder, range(20))
        getattr(disk, take)()
        put(recorder, range(20, 60))
        handles = open_handles()
        put(recorder, range(60, 120))
        assert recorder.trouble == f"the sound is not recorded: {why}"
        assert open_handles() == handles, "each try lets go what it opened"
        getattr(disk, give)()
        put(recorder, range(120, 150))
        recorder.close()
        off, on = recorder.news()
        assert isinstance(off, Warned) and off.text.endswith(why)
        assert isinstance(on, RecordingSet) and on.audio == "audio-2.flac"
        shown = Case(load_protocol("isolation-airway"))
        facts = (CaseStarted(seq=1, protocol="p", recording=True), off, on)
        kept = [shown.add(fact) or shown.state.recording for fact in facts]
        assert kept == [True, False, True], (
            "the screen does not say that it records while it does not"
        )
        assert {line.kind for line in shown.state.log} == {"case", "warn"}, "no hand did that"
        sounds = sorted(path.name for path in folder.glob("audio*"))
        end = ".locked" if locked else ""
        assert sounds == [f"audio-2.flac{end}", f"audio.flac{end}"]


@pytest.mark.parametrize("words", [None, "a passphrase"])  # invented
def test_facts_that_had_to_wait_are_said_in_the_log_with_the_reason(
    tmp_path: Path, words: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listener.storage.passphrase, "COST", 2**10)
    with small_disk(tmp_path / "disk", kilobytes=4096) as disk:
        journal = Journal.create(disk.path / "cases", "p", PROTOCOL, began=BEGAN, passphrase=words)
        keeper = FactWriter(journal, patience_s=20.0, retry_s=0.1, scarce_bytes=0)
        disk.fill()
        keeper.keep(long_note(1))
        assert keeper.trouble == "1 not stored yet: the disk is full"
        disk.empty()
        wait_until(lambda: keeper.stored == 1)
        assert keeper.mended() == "the disk is full"
        assert keeper.finish() == 0
        assert len(open_case(journal.folder, words).facts) == 1
