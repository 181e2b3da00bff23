"""Whoever changes a stored case is found out."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from hashlib import sha256
from pathlib import Path

import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grammar.case.facts import CaseEnded, Noted, Purged
from grammar.errors import UserError
from listener.storage.database import SEALS, rows, untouched
from listener.storage.fact_reader import stored_facts
from listener.storage.hash_chain import link, origin
from listener.storage.journal import JOURNAL, PROTOCOL, Journal
from listener.storage.seals import seal, verify
from listener.storage.signing import SigningKey, make_keys, public_key, signed_by
from tests.support.kept_cases import WALL, begin, end, record
from tui.cli import main

FEW = settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    journal = begin(tmp_path_factory.mktemp("whole"))
    record(journal)
    journal.append_next(CaseEnded(t=6.0, wall=WALL))
    seal(journal, WALL)
    journal.close()
    return journal.folder


@pytest.fixture
def case(whole: Path, tmp_path: Path) -> Path:
    return shutil.copytree(whole, tmp_path / "case")


def change(case: Path, statement: str, *values: object) -> None:
    database = sqlite3.connect(case / JOURNAL)
    with database:
        database.execute(statement, values)
    database.close()


def stored(case: Path) -> list[tuple[int, str, str, str]]:
    database = sqlite3.connect(case / JOURNAL)
    found = database.execute("SELECT seq, before, hash, body FROM fact ORDER BY seq").fetchall()
    database.close()
    return found


# FIPS 180-4's examples (NIST, "SHA256.pdf", one-block message) and RFC 8785, appendix B and 3.2.3.


def test_the_hash_is_that_of_the_standard() -> None:
    nist = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert origin(b"abc") == nist
    assert link("a", "b") == sha256(b"a\nb").hexdigest()


def test_the_canonical_form_is_that_of_the_standard() -> None:
    numbers = [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001]
    assert rfc8785.dumps(numbers) == b"[333333333.3333333,1e+30,4.5,0.002,1e-27]"


def test_anybody_can_follow_the_chain_with_what_every_system_has(case: Path) -> None:
    before = sha256((case / PROTOCOL).read_bytes()).hexdigest()
    for _, carried, own, body in stored(case):
        assert carried == before
        told = subprocess.run(
            ["sha256sum"], input=f"{before}\n{body}".encode(), capture_output=True, check=True
        )
        before = told.stdout.decode().split()[0]
        assert own == before


def test_a_case_as_it_was_stored_is_whole(case: Path) -> None:
    before = {path.name: path.read_bytes() for path in case.iterdir()}
    found = verify(case)
    assert found.misfit == ""
    assert found.facts == 6
    assert found.unsealed == 0
    assert found.head == stored(case)[-1][2]
    assert {path.name: path.read_bytes() for path in case.iterdir()} == before


@FEW
@given(data=st.data())
def test_any_single_byte_of_any_stored_fact_that_is_changed_is_found(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    case = shutil.copytree(whole, tmp_path_factory.mktemp("case") / "case")
    seq, *texts = data.draw(st.sampled_from(stored(case)))
    column = data.draw(st.sampled_from([0, 1, 2]))
    content = bytearray(texts[column].encode())
    at = data.draw(st.integers(0, len(content) - 1))
    content[at] ^= data.draw(st.integers(1, 255))
    name = ("before", "hash", "body")[column]
    change(case, f"UPDATE fact SET {name} = CAST(? AS TEXT) WHERE seq = ?", bytes(content), seq)
    assert verify(case).misfit.startswith(f"fact {seq} does not fit")
    shutil.rmtree(case)


@FEW
@given(data=st.data())
def test_any_byte_of_the_file_that_is_changed_is_found_or_changes_no_fact(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    case = shutil.copytree(whole, tmp_path_factory.mktemp("case") / "case")
    content = bytearray((case / JOURNAL).read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    content[at] ^= data.draw(st.integers(1, 255))
    (case / JOURNAL).write_bytes(content)
    try:
        found = verify(case).misfit
    except UserError:
        found = "it cannot be read at all"
    if not found:
        with untouched(case / JOURNAL, None) as database:
            now = list(rows(database, 2))
        with untouched(whole / JOURNAL, None) as database:
            assert now == list(rows(database, 2))
        assert stored_facts(case).facts == stored_facts(whole).facts
    shutil.rmtree(case)


@pytest.mark.parametrize("gone", range(1, 7))
def test_a_fact_that_is_deleted_is_named(case: Path, gone: int) -> None:
    change(case, "DELETE FROM fact WHERE seq = ?", gone)
    last = "fact 6 is missing: seal 1 counts 6"
    assert verify(case).misfit == (
        last if gone == 6 else f"fact {gone} does not fit: it is missing"
    )


def test_facts_that_change_places_are_named(case: Path) -> None:
    (_, *second), (_, *third) = stored(case)[1:3]
    change(case, "UPDATE fact SET before = ?, hash = ?, body = ? WHERE seq = 2", *third)
    change(case, "UPDATE fact SET before = ?, hash = ?, body = ? WHERE seq = 3", *second)
    assert verify(case).misfit.startswith("fact 2 does not fit")


def test_a_fact_slipped_in_is_named(case: Path) -> None:
    change(case, "UPDATE fact SET seq = seq + 10 WHERE seq > 3")
    change(case, "UPDATE fact SET seq = seq - 9 WHERE seq > 3")
    _, before, own, body = stored(case)[2]
    change(
        case, "INSERT INTO fact (seq, before, hash, body) VALUES (4, ?, ?, ?)", own, before, body
    )
    assert verify(case).misfit.startswith("fact 4 does not fit")


def test_a_tail_cut_off_after_sealing_is_found_whichever_seal_is_left(case: Path) -> None:
    change(case, "DELETE FROM fact WHERE seq > 4")
    assert verify(case).misfit == "fact 5 is missing: seal 1 counts 6"
    (case / SEALS).unlink()
    assert SEALS in verify(case).misfit
    change(case, "DELETE FROM seal")
    (case / SEALS).write_text("")
    assert verify(case).misfit == ""  # all traces gone: the printed hash still tells
    assert "check code" in verify(case, head="f" * 64).misfit


def test_another_protocol_put_in_its_place_is_found(case: Path) -> None:
    (case / PROTOCOL).write_text((case / PROTOCOL).read_text() + "\n")
    assert "protocol" in verify(case).misfit
    (case / PROTOCOL).unlink()
    assert verify(case).misfit == "protocol.toml is missing"


def test_other_sound_is_found(case: Path) -> None:
    content = bytearray((case / "audio.flac").read_bytes())
    content[5000] ^= 1
    (case / "audio.flac").write_bytes(content)
    assert verify(case).misfit == "audio.flac is not the sound that was sealed"
    (case / "audio.flac").unlink()
    assert verify(case).misfit == "audio.flac was sealed and is missing"
    journal = Journal.open(case)
    journal.append_next(Purged(t=6.0, wall=WALL))
    journal.close()
    assert verify(case).misfit == ""


def test_a_chain_computed_anew_is_found_by_the_hash_that_was_printed(case: Path) -> None:
    printed = verify(case).head
    before = origin((case / PROTOCOL).read_bytes())
    for seq, _, _, body in stored(case):
        forged = body.replace("ninety", "eighty")
        own = link(before, forged)
        change(
            case, "UPDATE fact SET before=?, hash=?, body=? WHERE seq=?", before, own, forged, seq
        )
        before = own
    assert verify(case).misfit == "fact 6 is not the one that seal 1 names"
    change(case, "DELETE FROM seal")
    (case / SEALS).unlink()
    journal = Journal.open(case)
    seal(journal, WALL)
    journal.close()
    assert verify(case).misfit == ""
    assert verify(case, head=printed).misfit == "the check code is not the one that was given"


# RFC 8032, section 7.1, test 2.
RFC_PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
RFC_SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def test_a_signature_is_that_of_the_standard() -> None:
    assert signed_by(RFC_PUBLIC, RFC_SIGNATURE, b"\x72")
    assert not signed_by(RFC_PUBLIC, RFC_SIGNATURE, b"\x73")
    assert not signed_by("", "", b"\x72")


def test_a_signed_case_is_known_by_its_key_and_by_no_other(case: Path, tmp_path: Path) -> None:
    mine, other = make_keys(tmp_path / "mine"), make_keys(tmp_path / "other")
    assert "not signed" in verify(case, key=public_key(mine)).misfit
    assert main(["seal", str(case), "--sign-with", str(tmp_path / "mine")]) == 0
    assert main(["verify", str(case), "--key", str(mine)]) == 0
    assert main(["verify", str(case), "--key", str(other)]) == 1
    journal = Journal.open(case)
    journal.append_next(Noted(t=6.0, text="added later"))
    journal.close()
    assert verify(case, key=public_key(mine)).misfit == "fact 7 came after the signed seal"


def test_a_signature_over_something_else_does_not_fit(case: Path, tmp_path: Path) -> None:
    make_keys(tmp_path / "mine")
    journal = Journal.open(case)
    seal(journal, WALL, SigningKey(tmp_path / "mine"))
    journal.close()
    lines = (case / SEALS).read_text().replace('"facts":6', '"facts":5')
    (case / SEALS).write_text(lines)
    change(case, """UPDATE seal SET body = replace(body, '"facts":6', '"facts":5')""")
    found = verify(case).misfit
    assert "seal 1 names" in found or "signature" in found


def test_keys_are_private_and_never_overwritten(tmp_path: Path) -> None:
    make_keys(tmp_path / "mine")
    assert (tmp_path / "mine").stat().st_mode & 0o777 == 0o600
    with pytest.raises(UserError, match="exists"):
        make_keys(tmp_path / "mine")
    with pytest.raises(UserError, match="no Ed25519 key"):
        SigningKey(tmp_path / "mine.pub")
    with pytest.raises(UserError, match="no Ed25519 public key"):
        public_key(tmp_path / "mine")


def test_verify_says_it_in_one_line_and_by_its_exit_code(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(case)]) == 0
    assert "whole: 6 facts" in capsys.readouterr().out
    change(case, "UPDATE fact SET body = replace(body, 'ninety', 'eighty') WHERE seq = 3")
    assert main(["verify", str(case)]) == 1
    told = capsys.readouterr().out
    assert told == "fact 3 does not fit: it was changed after it was stored\n"
    assert main(["verify", str(tmp_path)]) == 2


def test_a_case_that_was_never_sealed_is_whole_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", str(end(begin(tmp_path)))]) == 0
    assert "6 facts are under no seal" in capsys.readouterr().out


@pytest.mark.parametrize("report", [["handover"], ["debrief"], ["export", "--as", "md"]])
def test_a_report_of_the_case_bears_its_check_code(
    case: Path, report: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    head = verify(case).head
    assert main([report[0], str(case), *report[1:]]) == 0
    assert f"Check code {head}" in " ".join(capsys.readouterr().out.split())
