"""What was stored is there again, private, and only from a folder that is a case."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar.case.facts import (
    CaseStarted,
    Fact,
    Gap,
    Heard,
    Noted,
    Withdrawn,
    fact_from_json,
    fact_to_json,
)
from grammar.errors import UserError
from grammar.language.words import Word
from listener.storage.journal import Journal

BEGAN = datetime(2025, 1, 1, 12, 0, tzinfo=UTC)  # invented


def journal(tmp_path: Path) -> Journal:
    return Journal.create(tmp_path / "cases", "isolation-airway", "x = 1\n", began=BEGAN)


def test_facts_come_back_in_order_with_their_numbers(tmp_path: Path) -> None:
    kept = journal(tmp_path)
    word = Word("copy", 1.0, 1.3, 0.9)
    told: list[Fact] = [
        CaseStarted(protocol="p"),
        Heard(t=1.0, until=1.3, words=(word,)),
        Noted(t=2, text="é"),
    ]
    stored = [kept.append_next(fact) for fact in told]
    kept.close()
    assert [fact.seq for fact in stored] == [1, 2, 3]
    again = Journal.open(kept.folder)
    assert again.facts() == stored
    assert again.append_next(Gap(t=3, until=4, reason="lost")).seq == 4


def test_two_cases_begun_in_one_second_get_two_folders(tmp_path: Path) -> None:
    assert journal(tmp_path).folder != journal(tmp_path).folder


def test_a_case_is_private_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        kept = journal(tmp_path)
        kept.append_next(Noted(t=0, text="x"))
    finally:
        os.umask(before)
    assert stat.S_IMODE(kept.folder.stat().st_mode) == 0o700
    for path in kept.folder.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_the_store_waits_for_the_disk(tmp_path: Path) -> None:
    """SQLite, "PRAGMA synchronous": 2 is FULL, which syncs the log at every commit."""
    kept = journal(tmp_path)
    assert kept._database.execute("PRAGMA synchronous").fetchone() == (2,)
    assert kept._database.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_killing_the_process_loses_no_fact_that_was_told(tmp_path: Path) -> None:
    script = f"""
import sys
from datetime import UTC, datetime
from pathlib import Path
from grammar.case.facts import Noted
from listener.storage.journal import Journal
kept = Journal.create(Path({str(tmp_path)!r}), "p", "", began=datetime(2025, 1, 1, tzinfo=UTC))
print(kept.folder, flush=True)
while True:
    print(kept.append_next(Noted(t=0, text="told")).seq, flush=True)
"""
    process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    folder = Path(process.stdout.readline().strip())
    told = [int(process.stdout.readline()) for _ in range(50)]
    process.send_signal(signal.SIGKILL)
    told += [int(line) for line in process.stdout if line.endswith("\n")]
    process.wait()
    kept = [fact.seq for fact in Journal.open(folder).facts()]
    assert kept[: len(told)] == told
    assert kept == list(range(1, len(kept) + 1))


@pytest.mark.parametrize("make", ["missing", "file", "other", "newer"])
def test_a_folder_that_is_no_case_is_refused_in_a_sentence(tmp_path: Path, make: str) -> None:
    kept = journal(tmp_path)
    kept.close()
    path = kept.folder / "journal.db"
    if make == "missing":
        path.unlink()
    elif make == "file":
        path.write_bytes(b"not a database at all" * 100)
    elif make == "other":
        sqlite3.connect(path).execute("PRAGMA application_id = 1").connection.commit()
    else:
        sqlite3.connect(path).execute("PRAGMA user_version = 99").connection.commit()
    with pytest.raises(UserError, match=r"journal"):
        Journal.open(kept.folder)


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match="no case can be written"):
        Journal.create(tmp_path / "file" / "cases", "p", "", began=BEGAN)


@given(st.text(), st.floats(0, 1e5), st.booleans())
def test_any_note_survives_storage(text: str, t: float, mark: bool) -> None:
    note = Noted(t=t, text=text.encode("utf-8", "replace").decode(), mark=mark)
    assert fact_from_json(fact_to_json(note)) == note


def test_a_withdrawal_points_at_its_fact() -> None:
    assert fact_from_json(fact_to_json(Withdrawn(t=1, target=7))) == Withdrawn(t=1, target=7)
