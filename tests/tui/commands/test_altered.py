"""A case that was changed after it was stored is refused, or read with that said on all made of it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded
from listener.storage.database import SEALS
from listener.storage.hash_chain import link
from listener.storage.journal import JOURNAL, PROTOCOL, Journal
from listener.storage.seals import seal
from tests.support.kept_cases import WALL, begin, record
from tests.support.places import SAMPLES
from tests.support.stored_cases import store
from tui.cli import main

CLIP = SAMPLES / "quick-clip.flac"


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("COLUMNS", "100")
    journal = begin(tmp_path / "cases")
    record(journal)
    journal.append_next(CaseEnded(t=6.0, wall=WALL))
    seal(journal, WALL)
    journal.close()
    return journal.folder


def sql(case: Path, *statements: str) -> None:
    database = sqlite3.connect(case / JOURNAL)
    with database:
        for statement in statements:
            database.execute(statement)
    database.close()


def change_a_dose(case: Path) -> None:
    sql(case, "UPDATE fact SET body = replace(body, 'ninety', 'nineteen') WHERE seq = 3")


def cut_the_tail(case: Path) -> None:
    sql(case, "DELETE FROM fact WHERE seq > 4")


def take_one_out(case: Path) -> None:
    sql(case, "DELETE FROM fact WHERE seq = 3")


def change_the_protocol(case: Path) -> None:
    path = case / PROTOCOL
    path.write_text(path.read_text().replace("window_s = ", "window_s = 1"))


def compute_the_chain_anew(case: Path) -> None:
    """As clever as somebody can be without the printed hash or the key: only the seal tells."""
    change_a_dose(case)
    database = sqlite3.connect(case / JOURNAL)
    head = ""
    for seq, before, body in database.execute(
        "SELECT seq, before, body FROM fact ORDER BY seq"
    ).fetchall():
        head = link(head or before, body)
        database.execute("UPDATE fact SET before = ?, hash = ? WHERE seq = ?", (before, head, seq))
        database.execute("UPDATE fact SET before = ? WHERE seq = ?", (head, seq + 1))
        database.commit()
    database.close()


def drop_the_seals(case: Path) -> None:
    cut_the_tail(case)
    sql(case, "DELETE FROM seal")


CHANGES: list[Callable[[Path], None]] = [
    change_a_dose,
    cut_the_tail,
    take_one_out,
    change_the_protocol,
    compute_the_chain_anew,
    drop_the_seals,
]
READERS: dict[str, list[str]] = {
    "debrief": ["debrief"],
    "debrief json": ["debrief", "--json"],
    "handover": ["handover"],
    **{
        f"export {form}": ["export", "--as", form] for form in ("csv", "jsonl", "vtt", "fhir", "md")
    },
}


TAKE_ALTERED = ("debrief", "handover", "export", "replay", "rehear", "view")
REFUSE_ALTERED = ("seal", "resume", "verify", "purge", "team")


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
@pytest.mark.parametrize("reader", READERS)
def test_an_altered_case_is_refused_unless_it_is_asked_for_and_then_says_so(
    case: Path, change: Callable[[Path], None], reader: str, capsys: pytest.CaptureFixture[str]
) -> None:
    command, *options = READERS[reader]
    assert main([command, str(case), *options]) == 0
    whole = capsys.readouterr().out
    assert "ALTERED" not in whole
    assert "Checked: 6 facts" in " ".join(whole.split())
    change(case)
    assert main([command, str(case), *options]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "--even-if-altered" in told.err
    assert main([command, str(case), *options, "--even-if-altered"]) == 0
    told = capsys.readouterr()
    assert "ALTERED after it was stored" in " ".join(told.out.split())
    assert "ALTERED" in told.err


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_no_seal_is_set_on_an_altered_case_nor_is_it_gone_on_with(
    case: Path, change: Callable[[Path], None], capsys: pytest.CaptureFixture[str]
) -> None:
    change(case)
    before = {path.name: path.read_bytes() for path in case.iterdir()}
    for command in (["seal", str(case)], ["resume", str(case), str(CLIP), "--reopen", "--json"]):
        assert main(command) == 2
        told = capsys.readouterr().err
        assert "was altered after it was stored" in told
        assert "nothing seals it or goes on with it" in told
    assert {path.name: path.read_bytes() for path in case.iterdir()} == before


def test_the_refusal_names_the_commands_that_read_an_altered_case(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change_a_dose(case)
    assert main(["seal", str(case)]) == 2
    told = capsys.readouterr().err
    named = " ".join(told.split()).partition("With --even-if-altered ")[2].partition(" read it ")[0]
    for command in (*TAKE_ALTERED, *REFUSE_ALTERED):
        with pytest.raises(SystemExit):
            main([command, "--help"])
        takes = "--even-if-altered" in capsys.readouterr().out
        assert takes == (command in named.replace(",", "").split()), command


def test_among_many_cases_an_altered_one_is_left_out_and_named(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = case.parent
    store(place)
    assert main(["debrief", str(place), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["cases"]) == 2
    change_a_dose(case)
    assert main(["debrief", str(place), "--json"]) == 0
    told = capsys.readouterr()
    assert len(json.loads(told.out)["cases"]) == 1
    assert f"{place.name}/{case.name}" in told.err
    assert main(["debrief", str(place), "--even-if-altered"]) == 0
    assert "ALTERED after it was stored" in capsys.readouterr().out


def test_a_change_that_keeps_size_and_time_is_not_hidden_by_what_was_kept_of_the_case(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:

    place = case.parent
    store(place)
    assert main(["debrief", str(place), "--json"]) == 0
    before = (case / JOURNAL).stat()
    content = (case / JOURNAL).read_bytes()
    (case / JOURNAL).write_bytes(content.replace(b"ketamine", b"etomidat"))
    os.utime(case / JOURNAL, ns=(before.st_atime_ns, before.st_mtime_ns))
    capsys.readouterr()
    assert main(["debrief", str(place), "--json"]) == 0
    assert "altered" in capsys.readouterr().err


def test_a_case_that_is_given_twice_counts_once(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = case.parent
    store(place)
    copy = shutil.copytree(case, tmp_path / "copies" / "copy")
    sealed = shutil.copytree(case, tmp_path / "copies" / "sealed-again")
    journal = Journal.open(sealed)
    seal(journal, WALL)
    journal.close()
    assert (sealed / SEALS).read_bytes() != (case / SEALS).read_bytes()
    given = [str(case), str(place), str(copy), str(sealed), str(case) + "/"]
    assert main(["debrief", *given, "--json"]) == 0
    told = capsys.readouterr()
    found = json.loads(told.out)
    assert len(found["cases"]) == 2
    assert len(found["copies"]) == 2
    assert told.err.count("counted once") == 3
    assert main(["debrief", str(case), str(copy)]) == 0
    assert "1 copy of a case that is" in capsys.readouterr().out


# ---------------------------------------------------------------------- what else reads a case


def change_the_order(folder: Path) -> None:
    sql(folder, "UPDATE fact SET body = replace(body, 'ninety', 'nineteen') WHERE seq = 4")


def test_an_altered_case_is_not_heard_again_unless_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from listener.rehearing import CaseSound
    from listener.storage.case_reader import open_case

    folder = store(tmp_path / "cases", sound=True)
    assert open_case(folder).sounds
    change_the_order(folder)
    assert main(["rehear", str(folder)]) in (1, 2)
    assert "was altered after it was stored" in capsys.readouterr().err
    assert not (folder.parent / "heard-again").exists()
    named = CaseSound(open_case(folder, even_if_altered=True)).name
    assert named.endswith("which was ALTERED after it was stored")


def test_a_case_that_was_altered_is_followed_only_where_it_is_asked_for_and_says_so(
    case: Path,
) -> None:
    from datetime import UTC, datetime

    from grammar.errors import UserError
    from listener.storage.case_follower import CaseFollower
    from tui.dashboard.case_view import status_of

    change_a_dose(case)
    with pytest.raises(UserError, match="altered"):
        CaseFollower(case, lambda: datetime.now(UTC))
    following = CaseFollower(case, lambda: datetime.now(UTC), even_if_altered=True)
    assert "ALTERED" in str(status_of(following).failure)


def test_purging_an_altered_case_removes_its_sound_and_seals_nothing_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = store(tmp_path / "cases", sound=True)
    journal = Journal.open(folder)
    seal(journal, WALL)
    journal.close()
    change_the_order(folder)
    assert main(["purge", str(folder), "--yes"]) == 0
    told = capsys.readouterr().err
    assert "1 files of sound" in told
    assert "is not sealed anew" in told
    journal = Journal.open(folder)
    assert len(journal.seals()) == 1
    journal.close()
    assert main(["verify", str(folder)]) != 0


@pytest.mark.parametrize("reader", READERS)
def test_a_file_of_seals_that_lacks_one_is_told_by_every_reader(
    case: Path, reader: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (case / SEALS).write_text("")
    command, *options = READERS[reader]
    assert main([command, str(case), *options]) == 0
    told = capsys.readouterr()
    assert "The file of seals lacks 1 of the journal's 1." in told.err
