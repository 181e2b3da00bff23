"""A case heard again from its own recording: the same clock, a case of its own, the original untouched."""

from __future__ import annotations

import json
import shutil
from hashlib import sha256
from pathlib import Path

import pytest
import soundfile

from grammar.case.facts import Amended, CaseEnded, CaseStarted, Gap, Heard, Purged, Resumed
from grammar.errors import UserError
from grammar.protocol.loading import source_text
from listener.confidence import supervised_verifier
from listener.rehearing import Again
from listener.storage.case_reader import open_case
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import Journal
from tui.cli import main
from tui.commands.rehear_report import hear_all, objects, page

OURS = Again("auto", None, None, None)
WEIGHT = ("--weight-kg", "70")


@pytest.fixture(scope="module")
def heard(four_calls: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four calls, heard once.

    With all the patience in the world: on a crowded machine the second listener, in its process, might
    else be given up for hanging, and what it doubts in this one would have no equal.
    """
    cases = tmp_path_factory.mktemp("cases")
    with pytest.MonkeyPatch.context() as patient:
        patient.setattr(supervised_verifier, "PATIENCE_S", 3600.0)
        patient.setattr(supervised_verifier, "START_PATIENCE_S", 3600.0)
        assert main(["listen", str(four_calls), "--json", "--cases", str(cases), *WEIGHT]) == 0
    (folder,) = cases.iterdir()
    return folder


@pytest.fixture
def case(heard: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(heard, tmp_path / "cases" / heard.name))


def contents(folder: Path) -> dict[str, str]:
    return {path.name: sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_same_engine_hears_the_same_and_the_original_is_untouched(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(case)
    assert main(["rehear", str(case), "--json"]) == 0
    *pairs, result = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(pairs) == 4
    assert all(pair["same_words"] for pair in pairs)
    assert (result["meaning"]["percent"], result["kappa"]) == (100, 1)
    assert contents(case) == before
    folder = Path(result["heard_in"])
    again = open_case(folder)
    start, original = again.facts[0], open_case(case).facts[0]
    assert isinstance(start, CaseStarted) and isinstance(original, CaseStarted)
    assert start.source == f"heard again: {case.name}"
    assert (start.wall, start.weight_kg) == (original.wall, original.weight_kg)
    assert original.weight_kg == 70
    assert (start.original, original.original) == (case.name, "")
    assert not again.sounds
    assert folder.parent == case.parent / "heard-again"
    assert main(["verify", str(folder)]) == 0


def test_the_second_listener_doubts_what_it_doubted_the_first_time(case: Path) -> None:
    (found,) = hear_all(case, OURS, None)
    first, again = (
        [fact for fact in open_case(folder).facts if isinstance(fact, Heard)]
        for folder in (case, found.folder)
    )
    assert [fact.doubts for fact in again] == [fact.doubts for fact in first]
    assert [dict(fact.evidence) for fact in again] == [
        pytest.approx(dict(fact.evidence), abs=0.1) for fact in first
    ]
    assert any(dict(fact.evidence)["second"] for fact in again)  # it was asked


def test_a_locked_case_is_heard_again_into_a_locked_one(
    four_calls: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("four words for it\n")
    unlocked_by = ("--passphrase-file", str(secret))
    cases = tmp_path / "cases"
    listen = ["listen", str(four_calls), "--json", "--cases", str(cases), *WEIGHT]
    assert main([*listen, *unlocked_by]) == 0
    (folder,) = cases.iterdir()
    before = contents(folder)
    assert main(["rehear", str(folder)]) == 2
    assert "passphrase" in capsys.readouterr().err
    assert main(["rehear", str(folder), "--json", *unlocked_by]) == 0
    result = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (result["meaning"]["count"], result["meaning"]["total"]) == (4, 4)
    again = Path(result["heard_in"])
    assert contents(folder) == before
    with pytest.raises(UserError, match="locked"):
        open_case(again)
    for path in again.iterdir():
        assert b"ketamine" not in path.read_bytes() or path.name == "protocol.toml"
    assert open_case(again, "four words for it").facts[0].original == folder.name  # type: ignore[union-attr]
    assert main(["rehear", str(cases), "--cases", str(tmp_path / "c"), *unlocked_by]) == 0
    assert "4 of 4" in capsys.readouterr().out


def test_a_passphrase_does_not_leave_for_a_cluster(case: Path) -> None:
    with pytest.raises(UserError, match="not sent to a cluster"):
        hear_all(case, OURS, "tcp://127.0.0.1:9", "a passphrase")


def test_another_protocol_hears_with_its_own_words(case: Path, tmp_path: Path) -> None:
    text, _ = source_text("isolation-airway")
    own = tmp_path / "own.toml"
    # A team that never says "over": its protocol has no words for giving drugs either.
    own.write_text(text.replace("(give|push) {dose}", "(administer) {dose}"))
    (found,) = hear_all(case, Again("vosk", None, str(own), tmp_path / "new"), None)
    assert found.folder.parent == tmp_path / "new"
    assert not all(pair.same_meaning for pair in found.pairs)
    assert (found.folder / "protocol.toml").read_text() == own.read_text()


def test_agreement_is_with_the_original_as_a_person_corrected_it(case: Path) -> None:
    journal = Journal.open(case)
    target = next(fact for fact in journal.facts() if fact.kind == "heard")
    journal.append_next(Amended(t=20, target=target.seq, words="room \x1b[31m ready"))
    journal.close()
    found = hear_all(case, OURS, None)
    first, *_, result = objects(found)
    assert first["before"]["amended"] and not first["same_meaning"]
    assert (result["meaning"]["count"], result["meaning"]["total"]) == (3, 4)
    assert result["meaning"]["percent"] == 75
    assert 0 < result["kappa"] < 1
    shown = page(found)
    assert "was  “room [31m ready” (amended)" in shown
    assert "3 of 4, 75.0 %" in shown and "Cohen's kappa" in shown


def test_sound_in_several_files_is_heard_on_the_case_s_clock(
    four_calls: Path, tmp_path: Path
) -> None:
    text, _ = source_text("isolation-airway")
    sound, _rate = soundfile.read(four_calls, dtype="int16", always_2d=True)
    length = len(sound) / 16_000
    from datetime import UTC, datetime

    journal = Journal.create(
        tmp_path, "isolation-airway", text, began=datetime(2026, 1, 2, tzinfo=UTC)
    )
    journal.append_next(CaseStarted(protocol="isolation-airway", recording=True))
    journal.append_next(Gap(t=length, until=90, reason="broken off"))
    journal.append_next(Resumed(t=90.0, audio="audio-2.flac", recording=True))
    journal.append_next(CaseEnded(t=90 + length))
    journal.close()
    for name in ("audio.flac", "audio-2.flac"):
        recording = FlacWriter(journal.folder / name, 1)
        recording.write(sound)
        recording.close()
    (found,) = hear_all(journal.folder, OURS, None)
    told = [pair.after for pair in found.pairs if pair.after]
    assert len(told) == 8
    first, second = told[:4], told[4:]
    assert [one.meaning for one in first] == [one.meaning for one in second]
    assert [one.t + 90 for one in first] == pytest.approx([one.t for one in second], abs=0.5)


def test_without_sound_a_case_says_so_in_a_sentence(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (case / "audio.flac").unlink()
    assert main(["rehear", str(case)]) == 2
    assert "its sound was not kept" in capsys.readouterr().err
    journal = Journal.open(case)
    journal.append_next(Purged(t=30))
    journal.close()
    assert main(["rehear", str(case)]) == 2
    told = capsys.readouterr().err.strip()
    assert told.endswith("its sound was purged, so it cannot be heard again")
    assert not (case.parent / "heard-again").exists()


def test_what_cannot_be_heard_in_a_folder_is_named_and_passed_over(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    silent = Path(shutil.copytree(case, case.parent / "silent"))
    (silent / "audio.flac").unlink()
    damaged = Path(shutil.copytree(case, case.parent / "damaged"))
    (damaged / "journal.db").write_bytes(b"no journal" * 100)
    (found,) = hear_all(case.parent, OURS, None)
    assert found.original.name == case.name
    err = capsys.readouterr().err
    assert "silent" in err and "damaged" in err
    with pytest.raises(UserError, match="holds none"):
        hear_all(case.parent / "heard-again" / "nowhere", OURS, None)


@pytest.mark.slow
def test_a_cluster_hears_what_this_machine_hears(case: Path, tmp_path: Path) -> None:
    from distributed import LocalCluster

    shutil.copytree(case, case.parent / "second")
    here = hear_all(case.parent, Again("auto", None, None, tmp_path / "here"), None)
    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as cluster:
        address = cluster.scheduler_address
        there = hear_all(case.parent, Again("auto", None, None, tmp_path / "there"), address)
    assert len(here) == len(there) == 2
    ours, theirs = ([*objects(each)] for each in (here, there))
    for mine, other in zip(ours, theirs, strict=True):
        for side in ("before", "after"):
            # The engine places a word's edge by chance: one frame of 30 ms apart, here as there.
            for edge in ("t", "until"):
                if mine.get(side):
                    own = mine[side].pop(edge)
                    assert own == pytest.approx(other[side].pop(edge), abs=0.1)
        mine.pop("heard_in", None)
        other.pop("heard_in", None)
    assert ours == theirs
    ours = [line for line in ours if line["kind"] == "agreement"]
    assert ours[-1]["case"] is None and ours[-1]["meaning"]["total"] == 8
    assert page(there).count("4 of 4") == 4 and "8 of 8" in page(there)
