"""A case is opened by every later version, and by none that cannot know what it holds."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from grammar.case.facts import Noted
from grammar.errors import UserError
from listener.storage.case_reader import open_case
from listener.storage.database import SCHEMA_VERSION
from listener.storage.fact_reader import stored_facts
from listener.storage.journal import JOURNAL, Journal
from listener.storage.seals import seal, verify
from listener.storage.signing import public_key
from tests.support.places import CASES

CALLS = 8
"""Calls in the quick clip, by its script."""


@pytest.fixture(params=range(1, SCHEMA_VERSION + 1))
def case(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A case of each schema that ever was; without its fixture a schema cannot be changed."""
    return shutil.copytree(CASES / f"schema-{request.param}", tmp_path / "case")


def test_every_earlier_case_opens_folds_and_is_left_as_it_is(case: Path) -> None:
    before = {path.name: path.read_bytes() for path in case.iterdir()}
    stored = open_case(case)
    said = [line.utterance for line in stored.case().view(stored.end).log if line.utterance]
    assert len([one for one in said if one.call]) == CALLS
    assert stored.facts[0].kind == "case-started"
    assert stored.facts[-1].kind == "case-ended"
    assert {path.name: path.read_bytes() for path in case.iterdir()} == before


def test_every_earlier_case_can_be_added_to_and_an_older_version_then_refuses_it(
    case: Path,
) -> None:
    journal = Journal.open(case)
    added = journal.append_next(Noted(t=99.0, text="later"))
    assert journal.chained == (case / "seals.jsonl").is_file()
    journal.close()
    assert stored_facts(case).facts[-1] == added
    with closing(sqlite3.connect(case / JOURNAL)) as database:
        (version,) = database.execute("PRAGMA user_version").fetchone()
    # Without a chain there is none to begin in the middle of a case.
    assert version == (SCHEMA_VERSION if journal.chained else 1)


def test_a_case_without_a_chain_is_neither_whole_nor_sealed() -> None:
    assert "not chained" in verify(CASES / "schema-1").misfit


def test_a_case_without_a_chain_gets_no_seal(tmp_path: Path) -> None:
    journal = Journal.open(shutil.copytree(CASES / "schema-1", tmp_path / "case"))
    with pytest.raises(UserError, match="no chain"):
        seal(journal, "")
    journal.close()


def test_a_chained_case_cannot_be_passed_off_as_one_from_before_the_chain(tmp_path: Path) -> None:
    case = shutil.copytree(CASES / "schema-2", tmp_path / "case")
    sqlite3.connect(case / JOURNAL).execute("PRAGMA user_version = 1").connection.commit()
    assert verify(case).misfit


@pytest.mark.parametrize("schema", range(2, SCHEMA_VERSION + 1))
def test_a_kept_case_is_still_whole_and_signed_with_its_key(schema: int) -> None:
    key = public_key(CASES / f"schema-{schema}.pub")
    assert verify(CASES / f"schema-{schema}", key=key).misfit == ""


def test_a_newer_case_is_refused_in_a_clear_sentence(case: Path) -> None:
    newer = sqlite3.connect(case / JOURNAL)
    newer.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}").connection.commit()
    newer.close()
    for way in (open_case, Journal.open, verify):
        with pytest.raises(UserError, match=r"newer answerback .* upgrade"):
            way(case)
