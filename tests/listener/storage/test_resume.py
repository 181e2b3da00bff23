"""A case goes on after its process was killed, its gap recorded, nothing of it lost or said twice."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded, CaseStarted, Gap, Heard, Resumed
from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_lock import CaseLock, hold_case, is_held
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import Journal
from listener.storage.resume import resume_at
from listener.storage.sound_reader import FlacSound
from tests.support.places import ROOT
from tui.cli import main

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
BEGAN = datetime.fromisoformat("2025-03-01T10:00:00+01:00")


def stored(tmp_path: Path, *, last: float = 40.0, ended: bool = False) -> StoredCase:
    """A case that began at `BEGAN` and of which nothing is known after `last` seconds."""
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(tmp_path / "cases", "isolation-airway", text, began=BEGAN)
    journal.append_next(CaseStarted(wall=BEGAN.isoformat(), protocol="isolation-airway"))
    journal.append_next(Heard(t=last - 2, until=last, words=()))
    if ended:
        journal.append_next(CaseEnded(t=last, wall=BEGAN.isoformat()))
    journal.close()
    return open_case(journal.folder)


def test_the_clock_goes_on_with_the_wall_clock_and_the_gap_is_what_lies_between(
    tmp_path: Path,
) -> None:
    found = resume_at(stored(tmp_path), BEGAN + timedelta(minutes=3))
    assert found.at == 180
    assert found.gap == Gap(t=40, until=180, reason="the case was broken off")
    assert found.audio == "audio-2.flac"


def test_a_wall_clock_set_back_takes_no_time_back(tmp_path: Path) -> None:
    found = resume_at(stored(tmp_path), BEGAN - timedelta(hours=1))
    assert (found.at, found.gap) == (40, None)


def test_a_clock_of_another_zone_is_the_same_moment(tmp_path: Path) -> None:
    elsewhere = datetime.fromisoformat("2025-03-01T09:03:00+00:00")
    assert resume_at(stored(tmp_path), elsewhere).at == 180


def test_a_case_that_has_ended_wants_to_be_reopened(tmp_path: Path) -> None:
    case = stored(tmp_path, ended=True)
    with pytest.raises(UserError, match="--reopen"):
        resume_at(case, BEGAN + timedelta(minutes=3))
    assert resume_at(case, BEGAN + timedelta(minutes=3), reopen=True).at == 180


def test_sound_after_the_last_fact_is_no_gap(tmp_path: Path) -> None:
    case = stored(tmp_path, last=5.0)
    shutil.copyfile(QUICK, case.folder / "audio.flac")
    found = resume_at(open_case(case.folder), BEGAN + timedelta(minutes=3))
    assert found.gap is not None
    assert found.gap.t == pytest.approx(FlacSound(QUICK).frames / SAMPLE_RATE)


def test_a_case_is_heard_by_one_process_at_a_time(tmp_path: Path) -> None:
    case = stored(tmp_path)
    here = CaseLock(case.folder)
    assert is_held(case.folder)
    with pytest.raises(UserError, match="heard by another"):
        CaseLock(case.folder)
    here.release()
    assert not is_held(case.folder)


def test_a_resumed_case_opens_again_in_the_fold() -> None:
    from tests.grammar.case.test_record import case_of

    case = case_of("tube passed", CaseEnded(t=30), Resumed(t=90, recording=True), "good trace")
    view = case.view(200)
    assert view.ended is None
    assert view.recording
    assert [line.text for line in view.log if line.kind == "case"][-1] == "case taken up again"


def test_what_cannot_be_resumed_is_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["resume", str(tmp_path), "--json"]) == 2
    assert "is not a case folder" in capsys.readouterr().err
    case = stored(tmp_path, ended=True)
    before = sorted(path.name for path in case.folder.iterdir())
    assert main(["resume", str(case.folder), str(QUICK), "--json"]) == 2
    assert "has ended" in capsys.readouterr().err
    with hold_case(case.folder):
        assert main(["resume", str(case.folder), str(QUICK), "--json", "--reopen"]) == 2
    assert "heard by another" in capsys.readouterr().err
    assert sorted(path.name for path in case.folder.iterdir()) == before


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_killed_case_goes_on_with_all_that_was_shown_and_its_gap(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    listening = subprocess.Popen(
        [*COMMAND, "listen", str(QUICK), "--json", "--pace", "real", "--cases", str(tmp_path)],
        stdout=subprocess.PIPE,
        env=environment,
    )
    assert listening.stdout is not None
    shown = [json.loads(listening.stdout.readline()) for _ in range(2)]
    os.kill(listening.pid, signal.SIGKILL)
    listening.wait()
    (folder,) = tmp_path.iterdir()
    before = open_case(folder)
    done = subprocess.run(
        [*COMMAND, "resume", str(folder), str(QUICK), "--json"],
        capture_output=True,
        env=environment,
        timeout=120,
        check=True,
    )
    after = open_case(folder)
    assert after.facts[: len(before.facts)] == before.facts
    assert [fact.seq for fact in after.facts] == list(range(1, len(after.facts) + 1))
    texts = [fact.text for fact in after.facts if isinstance(fact, Heard)]
    assert texts[:2] == [line["text"] for line in shown]
    # Sound is handed to the disk once a second: at most so much, and a block, is gone.
    assert FlacSound(folder / "audio.flac").frames / SAMPLE_RATE >= before.end - 2
    gap, resumed = after.facts[len(before.facts) : len(before.facts) + 2]
    assert isinstance(gap, Gap)
    assert isinstance(resumed, Resumed)
    assert before.end <= gap.t < gap.until == resumed.t
    assert resumed.audio == "audio-2.flac"
    assert [sound.starts_s for sound in after.sounds] == [0.0, resumed.t]
    again = [json.loads(line) for line in done.stdout.splitlines()][:-1]
    assert all(line["t"] >= resumed.t for line in again)
    first = next(fact for fact in after.facts if isinstance(fact, Heard) and fact.t > resumed.t)
    loud = after.sound(first.t, first.until)
    assert abs(loud.astype(int)).max() > 10 * abs(after.sound(gap.t + 0.1, gap.until)).max()
