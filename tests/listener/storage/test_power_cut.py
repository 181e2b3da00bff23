"""A laptop whose battery came out: what its files then look like, and what is still read from them."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

import listener.storage.passphrase
from grammar.case.facts import CaseEnded, Heard, Noted
from grammar.errors import UserError
from grammar.language.words import Word
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import open_case
from listener.storage.database import plain_errors, untouched
from listener.storage.fact_reader import stored_facts
from listener.storage.fact_writer import FactWriter
from listener.storage.hash_chain import canonical, link
from listener.storage.journal import JOURNAL, Journal
from listener.storage.seals import verify
from listener.storage.sqlite_pages import Overflow, record_of
from tests.support.kept_cases import WALL, begin, noise, record
from tests.support.places import CASES

PAGE = 4096
FACTS = 300
WAL = f"{JOURNAL}-wal"


def long_case(cases: Path, passphrase: str | None = None, facts: int = FACTS) -> Journal:
    """A case of many pages, one of its facts too long for a page."""
    journal = begin(cases, passphrase)
    while journal.count < facts - 1:
        t = float(journal.count)
        journal.append_next(Noted(t=t, text=f"note {journal.count + 1}"))
        if journal.count == 20:
            words = tuple(Word("ketamine", t, t + 0.1) for _ in range(200))
            journal.append_next(Heard(t=t, until=t + 1.0, words=words))
    return journal


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case that was ended and closed: all its facts are in the database."""
    journal = long_case(tmp_path_factory.mktemp("closed"))
    record(journal)
    journal.append_next(CaseEnded(t=300.0, wall=WALL))
    journal.close()
    return journal.folder


@pytest.fixture(scope="module")
def going_on(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case as the power cut finds it: its last facts stand in the write-ahead log alone."""
    journal = long_case(tmp_path_factory.mktemp("going-on"))
    return shutil.copytree(journal.folder, tmp_path_factory.mktemp("cut") / "case")


@pytest.fixture
def case(closed: Path, tmp_path: Path) -> Path:
    return shutil.copytree(closed, tmp_path / "case")


@pytest.fixture
def cut(going_on: Path, tmp_path: Path) -> Path:
    return shutil.copytree(going_on, tmp_path / "case")


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def read(folder: Path) -> tuple[list[int], str]:
    """The numbers of the facts that are read, and what is said of the others; nothing is changed."""
    before = content(folder)
    stored = open_case(folder)
    assert content(folder) == before
    told = [one for one in stored.missing if JOURNAL in one]
    assert len(told) <= 1
    return [fact.seq for fact in stored.facts], told[0] if told else ""


def goes_on(folder: Path, facts: list[int]) -> None:
    """The case can be added to; whatever was read stays, and the damaged files are kept."""
    before = content(folder)
    journal = Journal.open(folder)
    added = journal.append_next(Noted(t=999.0, text="later"))
    journal.close()
    after, _ = read(folder)
    assert after == [*facts, added.seq]
    assert added.seq == (facts[-1] if facts else 0) + 1
    kept = [path.read_bytes() for path in folder.glob(f"{JOURNAL}.damaged-*")]
    assert not kept or before[JOURNAL] in kept


def test_a_case_that_is_whole_says_nothing(case: Path) -> None:
    assert read(case) == (list(range(1, FACTS + 1)), "")


def test_a_case_that_was_only_killed_has_lost_nothing(cut: Path) -> None:
    facts, told = read(cut)
    assert facts == list(range(1, FACTS))
    assert told == ""
    goes_on(cut, facts)


def test_a_torn_last_page_loses_what_stood_on_it_and_no_more(case: Path) -> None:
    path = case / JOURNAL
    whole = path.read_bytes()
    path.write_bytes(whole[: -PAGE // 2])
    facts, told = read(case)
    assert len(facts) > FACTS * 0.8
    assert "damaged" in told
    assert "missing" in told
    goes_on(case, facts)


@pytest.mark.parametrize("number", [1, 2, 3, 5])
def test_any_page_that_is_nothing_but_noise_costs_its_own_facts_only(
    case: Path, number: int
) -> None:
    path = case / JOURNAL
    whole = bytearray(path.read_bytes())
    whole[(number - 1) * PAGE : number * PAGE] = random.Random(number).randbytes(PAGE)
    if number == 1:
        whole[:16] = b"SQLite format 3\0"
    path.write_bytes(whole)
    facts, told = read(case)
    assert len(facts) > FACTS * 0.8
    assert "damaged" in told
    goes_on(case, facts)


def test_a_missing_log_is_said_with_the_last_fact_there_is(cut: Path) -> None:
    (cut / WAL).unlink()
    facts, told = read(cut)
    last = f"after fact {facts[-1]}" if facts else "its facts"
    assert "write-ahead log is gone" in told
    assert last in told
    goes_on(cut, facts)


@pytest.mark.parametrize("left", [0.0, 0.3, 0.9, 0.999])
def test_a_torn_log_is_read_to_its_last_whole_fact(cut: Path, left: float) -> None:
    whole = (cut / WAL).read_bytes()
    (cut / WAL).write_bytes(whole[: round(len(whole) * left)])
    facts, told = read(cut)
    assert facts == list(range(1, len(facts) + 1))
    assert "torn" in told or "gone" in told
    if left > 0.5:
        assert len(facts) > FACTS / 4
    goes_on(cut, facts)


def test_an_empty_journal_with_its_log_is_read_from_the_log(cut: Path) -> None:
    (cut / JOURNAL).write_bytes(b"")
    facts, told = read(cut)
    assert facts[-1] == FACTS - 1
    assert "damaged" in told
    goes_on(cut, facts)


def test_of_an_empty_journal_alone_the_protocol_and_the_sound_are_left(case: Path) -> None:
    (case / JOURNAL).write_bytes(b"")
    stored = open_case(case)
    assert stored.facts == ()
    assert "no fact could be read" in stored.missing[0]
    np.testing.assert_array_equal(stored.sound(0.0, 6.0), noise(6.0))


def test_verifying_names_the_first_fact_that_was_lost_in_the_middle(case: Path) -> None:
    path = case / JOURNAL
    whole = bytearray(path.read_bytes())
    whole[4 * PAGE : 5 * PAGE] = bytes(PAGE)
    path.write_bytes(whole)
    facts, _ = read(case)
    Journal.open(case).close()
    first = next(n for n, fact in enumerate(facts, start=1) if n != fact)
    assert verify(case).misfit == f"fact {first} does not fit: it is missing"


def test_what_was_no_journal_before_is_none_after(case: Path) -> None:
    (case / JOURNAL).write_bytes(b"letters " * 9999)
    with pytest.raises(UserError, match="journal"):
        open_case(case)
    with pytest.raises(UserError, match="journal"):
        Journal.open(case)
    assert not list(case.glob("*.damaged*"))


@pytest.mark.parametrize("left", [0, 10, 86, 300, 30_000, 100_000])
def test_a_torn_recording_is_read_as_far_as_it_goes(case: Path, left: int) -> None:
    path = case / "audio.flac"
    whole = path.read_bytes()
    path.write_bytes(whole[:left])
    stored = open_case(case)
    sound = stored.sound(0.0, 6.0)[:, 0]
    heard = int(np.flatnonzero(sound)[-1]) + 1 if sound.any() else 0
    np.testing.assert_array_equal(sound[:heard], noise(6.0)[:heard, 0])
    assert heard >= 6 * SAMPLE_RATE * left / len(whole) - 2 * SAMPLE_RATE
    assert [one for one in stored.missing if "audio.flac" in one]


def test_a_locked_case_is_read_past_a_torn_page_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listener.storage.passphrase, "COST", 2**10)
    journal = long_case(tmp_path, "a passphrase")  # invented
    journal.append_next(CaseEnded(t=300.0, wall=WALL))
    journal.close()
    path = journal.folder / JOURNAL
    path.write_bytes(path.read_bytes()[: -PAGE // 2])
    stored = open_case(journal.folder, "a passphrase")
    assert len(stored.facts) > FACTS * 0.8
    assert "damaged" in stored.missing[0]
    again = Journal.open(journal.folder, "a passphrase")
    assert "damaged" in again.missing
    last = again.append_next(Noted(t=999.0, text="later")).seq
    again.close()
    assert open_case(journal.folder, "a passphrase").facts[-1].seq == last


def test_a_number_as_great_as_somebody_liked_to_write_costs_nothing(tmp_path: Path) -> None:
    journal = begin(tmp_path)
    body = canonical(Noted(seq=2**53 - 1, t=6.0, text="far away"))
    own = link(journal.head, body)
    journal._insert("fact", seq=2**53 - 1, before=journal.head, hash=own, body=body)
    journal.close()
    assert f"fact 6 and {2**53 - 8} others are missing" in stored_facts(journal.folder).missing
    with pytest.raises(UserError, match="nothing can follow"):
        Journal.open(journal.folder)


def test_a_case_that_lacks_facts_goes_on_under_the_numbers_that_are_stored(tmp_path: Path) -> None:
    journal = begin(tmp_path)
    journal._database.execute("DELETE FROM fact WHERE seq IN (2, 4)")
    journal._database.commit()
    keeper = FactWriter(journal)
    told = [keeper.keep(Noted(t=t, text=f"note {t}")) for t in (7.0, 8.0)]
    assert keeper.stored == 7
    assert keeper.finish() == 0
    assert journal.facts()[-2:] == told
    assert [fact.seq for fact in told] == [6, 7]
    journal.close()


class Counted(dict[int, bytes]):
    """Pages that count how often one is read."""

    reads = 0

    def __getitem__(self, number: int) -> bytes:
        found = super().__getitem__(number)
        self.reads += 1
        return found


def test_pages_that_lead_round_and_round_are_read_a_few_times_each() -> None:
    """A file made to take for ever: 500 pages in a ring, which every cell wants to follow."""
    ring = Counted({at: (at % 500 + 1).to_bytes(4, "big") + bytes(508) for at in range(1, 501)})
    overflow = Overflow(ring)
    whole = overflow.read(1, 500 * 508)
    assert whole == bytes(500 * 508)
    asked = 0
    with suppress(ValueError):
        for length in range(200_000, 250_000):
            overflow.read(length % 500 + 1, length)
            asked += 1
    assert asked < 5
    assert ring.reads <= 4 * len(ring) + 1
    assert overflow.read(1, 500 * 508) is whole, "what was read once costs nothing"


def test_a_row_with_more_columns_than_any_of_ours_is_not_read_on() -> None:
    assert record_of(b"\x05\0\x17\x17\x11abcdeabcdexx") == [
        None,
        b"abcde",
        b"abcde",
        b"xx",
    ]
    with pytest.raises(ValueError, match="no row of ours"):
        record_of(b"\xff\x7f" + b"\1" * 9000)


def test_a_length_beyond_all_memory_is_damage_like_any_other() -> None:
    """What a database of a few kilobytes made SQLite ask for, found by `python -m tests.tools.fuzz`."""
    with pytest.raises(sqlite3.DatabaseError, match="beyond all memory"), plain_errors(None):
        raise MemoryError
    journal = untouched(CASES / "schema-2" / JOURNAL, None)
    with journal as database, pytest.raises(sqlite3.Error, match="too big"):
        database.execute("SELECT zeroblob(100000000)").fetchone()
