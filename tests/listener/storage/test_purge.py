"""Sound that was purged is gone; the log is not, and says so."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded, Resumed
from listener.storage.case_reader import open_case
from listener.storage.journal import Journal
from listener.storage.purge import purge
from listener.storage.seals import seal, verify
from tests.support.kept_cases import WALL, begin, record
from tui.cli import main


@pytest.fixture
def case(tmp_path: Path) -> Path:
    journal = begin(tmp_path / "cases")
    record(journal)
    journal.append_next(Resumed(t=8.0, audio="audio-2.flac", recording=True))
    record(journal, 2.0, "audio-2.flac")
    journal.append_next(CaseEnded(t=10.0, wall=WALL))
    seal(journal, WALL)
    journal.close()
    return journal.folder


def test_no_piece_of_the_sound_is_left_in_the_case_or_on_its_blocks(
    case: Path, tmp_path: Path
) -> None:
    names = ["audio.flac", "audio-2.flac"]
    pieces = {(case / n).read_bytes()[at : at + 32] for n in names for at in range(200, 4000, 500)}
    for name in names:
        os.link(case / name, tmp_path / name)  # the same blocks, under a name that is not removed
    assert main(["purge", str(case), "--yes"]) == 0
    left = [path.read_bytes() for path in case.iterdir()]
    assert not [piece for piece in pieces for content in left if piece in content]
    for name in names:
        assert not (case / name).exists()
        assert not any((tmp_path / name).read_bytes())


def test_the_log_is_kept_says_that_the_sound_was_removed_and_verifies(case: Path) -> None:
    before = open_case(case)
    assert main(["purge", str(case), "--yes"]) == 0
    after = open_case(case)
    assert after.facts[:-1] == before.facts
    assert after.facts[-1].kind == "purged"
    assert after.sounds == ()
    assert not after.sound(0.0, 6.0).any()
    view = after.case().view(after.end)
    assert view.log[-1].text == "the sound was removed"
    assert not view.recording
    assert verify(case).misfit == ""


def test_it_asks_first_and_without_an_answer_removes_nothing(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path.name: path.read_bytes() for path in case.iterdir()}
    assert main(["purge", str(case)]) == 2
    assert "--yes" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in case.iterdir()} == before


def test_a_second_purge_has_nothing_to_do(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["purge", str(case), "--yes"])
    count = len(open_case(case).facts)
    assert main(["purge", str(case), "--yes"]) == 0
    assert "no sound" in capsys.readouterr().err
    assert len(open_case(case).facts) == count


def test_what_a_link_points_to_is_left_alone(case: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_bytes(b"not ours" * 100)
    (case / "audio-3.flac").symlink_to(precious)
    (case / "audio-2.flac").unlink()
    (case / "audio-2.flac").symlink_to(case / "protocol.toml")
    journal = Journal.open(case)
    assert purge(journal, WALL) == 3
    journal.close()
    assert precious.read_bytes() == b"not ours" * 100
    assert (case / "protocol.toml").stat().st_size > 1000
    assert verify(case).misfit == ""


def test_a_journal_that_names_other_files_as_sound_removes_none_of_them(
    case: Path, tmp_path: Path
) -> None:
    shutil.copy(case / "audio.flac", tmp_path / "outside.flac")
    journal = Journal.open(case)
    for name in ("journal.db", "../../outside.flac", "/etc/hostname", ".."):
        journal.append_next(Resumed(t=9.0, audio=name, recording=True))
    journal.close()
    assert [sound.path.parent for sound in open_case(case).sounds[:2]] == [case, case]
    assert main(["purge", str(case), "--yes"]) == 0
    assert (tmp_path / "outside.flac").stat().st_size > 1000
    assert open_case(case).facts[-1].kind == "purged"
