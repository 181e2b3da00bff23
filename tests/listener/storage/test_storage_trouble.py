"""A disk that is full, takes no writing or is gone: listening goes on, and nothing told is lost."""

from __future__ import annotations

import json
import re
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest
import soundfile

from grammar.case.facts import Heard, Noted, RecordingSet, Warned
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.storage import recording_thread
from listener.storage.case_reader import open_case
from listener.storage.fact_writer import FactWriter
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import JOURNAL, Journal
from listener.storage.recording_thread import RecordingThread
from tests.support.screens import case, desk, heard, status
from tests.support.small_disk import small_disk

BEGAN = datetime(2025, 1, 1, 12, 0, tzinfo=UTC)  # invented
QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
PROTOCOL = Path(str(files("grammar.protocol") / "shipped" / "isolation-airway.toml")).read_text(
    "utf-8"
)


def wait_until(true: Any, seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def keeper_in(cases: Path) -> tuple[FactWriter, Path]:
    journal = Journal.create(cases, "isolation-airway", PROTOCOL, began=BEGAN)
    return FactWriter(journal, patience_s=20.0, retry_s=0.1, scarce_bytes=0), journal.folder


def long_note(number: int) -> Noted:
    return Noted(t=number, text=f"{number} " + "x" * 5000)


def texts(folder: Path) -> list[str]:
    return [fact.text.split()[0] for fact in open_case(folder).facts if isinstance(fact, Noted)]


def test_what_is_told_is_on_disk_when_it_is_shown(tmp_path: Path) -> None:
    keeper, folder = keeper_in(tmp_path)
    for number in range(1, 20):
        assert keeper.keep(long_note(number)).seq == number == keeper.stored
        assert len(open_case(folder).facts) == number
    assert keeper.finish() == 0
    assert not keeper.mended()


def test_a_full_disk_keeps_facts_in_memory_and_takes_them_in_order_later(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        keeper, folder = keeper_in(disk.path / "cases")
        keeper.keep(long_note(1))
        disk.fill()
        numbers = [keeper.keep(long_note(number)).seq for number in range(2, 12)]
        assert numbers == list(range(2, 12)), "each is numbered at once"
        assert keeper.stored < 11
        assert "not stored yet" in keeper.trouble
        assert not keeper.mended()
        disk.empty()
        wait_until(lambda: not keeper.trouble)
        assert keeper.stored == 11
        assert keeper.mended()
        assert not keeper.mended(), "it is said once"
        assert keeper.finish() == 0
        assert texts(folder) == [str(number) for number in range(1, 12)]


def test_a_drive_that_was_away_gets_what_it_missed_and_what_it_lost(tmp_path: Path) -> None:
    keeper, folder = keeper_in(tmp_path)
    for number in range(1, 6):
        keeper.keep(long_note(number))
    away = folder.with_name("away")
    folder.rename(away)
    # As a network file system does: the handle that was open is worth nothing any more.
    keeper.journal.close()
    keeper.keep(long_note(6))
    keeper.keep(long_note(7))
    assert keeper.stored == 5
    assert keeper.trouble.startswith("2 not stored yet")
    lost = Journal.open(away)
    with lost._database:
        lost._database.execute("DELETE FROM fact WHERE seq > 3")
    lost.close()
    away.rename(folder)
    wait_until(lambda: keeper.stored == 7)
    assert keeper.finish() == 0
    assert texts(folder) == ["1", "2", "3", "4", "5", "6", "7"]


def test_a_disk_that_hangs_holds_up_nobody_for_long(tmp_path: Path) -> None:
    keeper, folder = keeper_in(tmp_path)
    keeper._patience_s = 0.3
    with keeper.journal._lock:  # the journal waits as for a drive that does not answer
        began = time.monotonic()
        for number in range(1, 6):
            keeper.keep(long_note(number))
        assert time.monotonic() - began < 2 * 5 * keeper._patience_s
        assert "does not answer" in keeper.trouble
        assert keeper.stored == 0
    wait_until(lambda: not keeper.trouble)
    assert keeper.finish() == 0
    assert texts(folder) == ["1", "2", "3", "4", "5"]


def test_facts_that_never_reach_the_disk_are_counted_at_the_end(tmp_path: Path) -> None:
    keeper, folder = keeper_in(tmp_path)
    keeper.keep(long_note(1))
    (folder / JOURNAL).rename(folder / "gone")
    keeper.journal.close()
    keeper.keep(long_note(2))
    assert keeper.finish(patience_s=1.0) == 1


def test_a_recording_on_a_full_disk_goes_on_in_another_file(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(-3000, 3000, (1600, 1)).astype(np.int16)
    with small_disk(tmp_path / "disk") as disk:
        recorder = RecordingThread(FlacWriter(disk.path / "audio.flac", 1), 1)
        for block in range(100):
            recorder.put(block / 10, noise)
        wait_until(recorder._waiting.empty)
        disk.fill()
        for block in range(100, 200):
            recorder.put(block / 10, noise)
        wait_until(recorder._waiting.empty)
        assert "not recorded" in recorder.trouble
        disk.empty()
        for block in range(200, 300):
            recorder.put(block / 10, noise)
        recorder.close()
        assert not recorder.trouble
        off, on = recorder.news()
        assert isinstance(off, Warned) and isinstance(on, RecordingSet)
        assert 10.0 <= off.t <= 12.0, "at most two seconds wait to be written"
        assert (on.on, on.audio) == (True, "audio-2.flac")
        heard, _ = soundfile.read(disk.path / on.audio, dtype="int16", always_2d=True)
        assert len(heard) == round((30.0 - on.t) * SAMPLE_RATE)
        assert 20.0 <= on.t <= 21.1


def test_sound_that_was_left_out_or_paused_is_silence_in_its_place(tmp_path: Path) -> None:
    tone = np.full((1600, 1), 1000, dtype=np.int16)
    recorder = RecordingThread(FlacWriter(tmp_path / "audio.flac", 1), 1, begins_s=5.0)
    recorder.put(5.0, tone)
    recorder.put(5.4, tone)
    recorder.paused = True
    recorder.put(5.5, tone)
    recorder.paused = False
    recorder.put(5.6, tone)
    recorder.close()
    heard, _ = soundfile.read(tmp_path / "audio.flac", dtype="int16")
    loud = heard.reshape(-1, 1600).any(axis=1)
    assert loud.tolist() == [True, False, False, False, True, False, True]


def test_sound_that_comes_quicker_than_the_disk_takes_it_waits_and_is_all_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_thread, "WAITING_BLOCKS", 4)
    writer = FlacWriter(tmp_path / "audio.flac", 1)
    writes = writer.write

    def slowly(samples: Samples) -> None:
        time.sleep(0.002)
        writes(samples)

    monkeypatch.setattr(writer, "write", slowly)
    recorder = RecordingThread(writer, 1)
    for block in range(50):
        recorder.put(block / 10, np.full((1600, 1), 1000, dtype=np.int16))
        assert not recorder.trouble
    recorder.close()
    heard, _ = soundfile.read(tmp_path / "audio.flac", dtype="int16")
    assert len(heard) == 50 * 1600
    assert heard.all(), "no block is missing"


def test_a_disk_that_hangs_holds_up_sound_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_thread, "WAITING_BLOCKS", 4)
    monkeypatch.setattr(recording_thread, "PATIENCE_S", 0.3)
    writer, goes_on = FlacWriter(tmp_path / "audio.flac", 1), threading.Event()
    monkeypatch.setattr(writer, "write", lambda _: goes_on.wait())
    recorder = RecordingThread(writer, 1)
    began = time.monotonic()
    for block in range(20):
        recorder.put(block / 10, np.zeros((1600, 1), dtype=np.int16))
    assert time.monotonic() - began < 3 * 0.3
    assert "does not answer" in recorder.trouble
    goes_on.set()
    recorder.close()


class Lines(threading.Thread):
    """Collects the lines of a stream as they come."""

    def __init__(self, stream: IO[bytes]) -> None:
        super().__init__(daemon=True)
        self.lines: list[str] = []
        self._stream = stream
        self.start()

    def run(self) -> None:
        for line in self._stream:
            self.lines.append(line.decode())


COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]


@contextmanager
def listening(cases: Path) -> Iterator[tuple[subprocess.Popen[bytes], Lines, Lines]]:
    """`answerback listen - --json`, fed by the test."""
    process = subprocess.Popen(
        [*COMMAND, "listen", "-", "--json", "--cases", str(cases)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout
    assert process.stderr
    try:
        yield process, Lines(process.stdout), Lines(process.stderr)
    finally:
        process.kill()
        process.wait()


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="needs Linux's prlimit")
def test_listening_goes_on_while_the_disk_takes_nothing_and_says_so(tmp_path: Path) -> None:
    """The disk is taken away from the running process: every write fails, as on a read-only folder."""
    sound, _ = soundfile.read(QUICK, dtype="int16")
    half = len(sound) // 2
    silence = bytes(2 * SAMPLE_RATE)
    with listening(tmp_path) as (process, lines, errors):
        assert process.stdin
        process.stdin.write(sound[:half].tobytes())
        process.stdin.flush()
        wait_until(lambda: len(lines.lines) >= 2)
        limits = resource.prlimit(process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (0, limits[1]))
        process.stdin.write(sound[half:].tobytes() + silence)
        process.stdin.flush()
        wait_until(lambda: any('"stored": false' in line for line in lines.lines))
        wait_until(lambda: any("not stored yet" in line for line in errors.lines))
        process.stdin.write(silence)
        process.stdin.flush()
        wait_until(lambda: any("not recorded" in line for line in errors.lines))
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, limits)
        time.sleep(2.5)  # longer than between two tries
        process.stdin.write(3 * silence)
        process.stdin.close()
        assert process.wait(timeout=60) == 0
        time.sleep(0.2)
    told = [json.loads(line) for line in lines.lines]
    (folder,) = (path for path in tmp_path.iterdir() if path.is_dir())
    case = open_case(folder)
    assert [fact.seq for fact in case.facts] == list(range(1, len(case.facts) + 1))
    shown = [line["seq"] for line in told if line["kind"] == "utterance"]
    assert [fact.seq for fact in case.facts if isinstance(fact, Heard)] == shown
    assert any(isinstance(fact, Warned) and fact.what == "storage" for fact in case.facts)
    recorded = [fact for fact in case.facts if isinstance(fact, RecordingSet)]
    assert [(fact.on, fact.audio) for fact in recorded] == [(True, "audio-2.flac")]
    assert len(case.sounds) == 2
    said = [re.sub("[0-9]+", "#", line) for line in errors.lines if "not stored yet" in line]
    assert len(said) == len(set(said)), "each cause is said once"
    alone = subprocess.run(
        [*COMMAND, "listen", str(QUICK), "--json", "--cases", str(tmp_path / "again")],
        capture_output=True,
        check=True,
    )
    texts_alone = [json.loads(line).get("text") for line in alone.stdout.splitlines()[:-1]]
    assert [line["text"] for line in told[:-1]] == texts_alone, "the same is heard"


async def test_the_screen_says_what_is_wrong_and_marks_what_is_not_on_disk_yet() -> None:
    shown = case(heard(10, "radio check"), heard(20, "timer sixty"))
    trouble = status(troubles=("1 not stored yet: the disk is full",), unstored_from=3)
    async with desk(shown, 25.0, told=trouble) as seen:
        lines = (await seen.text()).splitlines()
        assert "!! 1 not stored yet: the disk is full" in lines[1]
        assert ["NOT" in line for line in lines if "timer sixty" in line] == [True]
        assert ["NOT" in line for line in lines if "radio check" in line] == [False]
        full = ("1 not stored yet: the disk is full", "the sound is not recorded: the disk is full")
        seen.status = status(troubles=full, unrecorded=True)
        lines = (await seen.text()).splitlines()
        assert "!! SOUND NOT RECORDED" in lines[0]
        assert "!! 1 not stored yet, the sound is not recorded: the disk is full" in lines[1]
        seen.status = status()
        assert "not stored" not in (await seen.text()).lower()
