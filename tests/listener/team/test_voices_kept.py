"""Voices are kept only privately, and are gone for good, looked for in every byte, once they are to be."""

from __future__ import annotations

import stat
from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from listener.storage.passphrase import new_lock
from listener.storage.purge import purge
from listener.team.member import Member, as_json
from listener.team.speaker_encoder.encoder import SIZE, WEIGHTS
from listener.team.voiceprint_store import (
    forget_case,
    forget_member,
    is_kept,
    keep_for_case,
    keep_member,
    kept_voices,
    members_of_case,
)
from tests.support.kept_cases import WALL, begin, end

CHANCE = np.random.default_rng(7)


def somebody(name: str = "", station: str = "outside") -> Member:
    prints = CHANCE.random((6, SIZE * len(WEIGHTS)), np.float32)
    prints /= np.linalg.norm(prints, axis=1, keepdims=True)
    return Member(station=station, prints=tuple(prints), agreed=WALL, ears=(), name=name)


def every_byte(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file())


def secret_of(member: Member) -> bytes:
    """A stretch of the print as it is written."""
    text = as_json(member)
    start = text.index('"prints": "') + 11
    return text[start : start + 60].encode()


def test_a_kept_voice_is_private_and_comes_back_as_it_was(tmp_path: Path) -> None:
    folder, member = tmp_path / "data" / "voices", somebody("Kim")
    keep_member(folder, member)
    (path,) = folder.iterdir()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "kim" not in path.name.lower()
    (found,) = kept_voices(folder).members
    assert (found.name, found.station, found.agreed) == ("Kim", "outside", WALL)
    assert np.allclose(np.stack(found.prints), np.stack(member.prints), atol=1e-3)


def test_a_forgotten_voice_is_in_no_byte_any_more(tmp_path: Path) -> None:
    folder, kim, lee = tmp_path / "voices", somebody("Kim"), somebody("Lee")
    for member in (kim, lee):
        keep_member(folder, member)
    again = somebody("kim")
    keep_member(folder, again)
    assert secret_of(kim) not in every_byte(tmp_path)
    assert forget_member(folder, "KIM")
    assert not forget_member(folder, "Kim")
    left = every_byte(tmp_path)
    assert secret_of(again) not in left
    assert secret_of(lee) in left


def test_a_voice_is_written_over_before_it_is_unlinked(tmp_path: Path) -> None:
    folder, kim = tmp_path / "voices", somebody("Kim")
    keep_member(folder, kim)
    (path,) = folder.iterdir()
    (tmp_path / "same-blocks").hardlink_to(path)
    forget_member(folder, "Kim")
    assert set((tmp_path / "same-blocks").read_bytes()) == {0}


def test_a_voice_kept_with_a_passphrase_is_in_no_byte_and_opens_with_it_alone(
    tmp_path: Path,
) -> None:
    folder, kim, lee = tmp_path / "voices", somebody("Kim"), somebody("Lee")
    keep_member(folder, kim, new_lock("open sesame"))
    keep_member(folder, lee)
    assert secret_of(kim) not in every_byte(tmp_path)
    assert b'"Kim"' not in every_byte(tmp_path)
    assert secret_of(lee) in every_byte(tmp_path)
    for wrong in (None, "open simsim"):
        found = kept_voices(folder, wrong)
        assert ([one.name for one in found.members], found.locked) == (["Lee"], 1)
    found = kept_voices(folder, "open sesame")
    assert ([one.name for one in found.members], found.locked) == (["Kim", "Lee"], 0)
    assert as_json(found.members[0]) == as_json(kim)
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in folder.iterdir())


def test_a_locked_voice_is_forgotten_without_its_passphrase(tmp_path: Path) -> None:
    folder = tmp_path / "voices"
    keep_member(folder, somebody("Kim"), new_lock("open sesame"))
    (path,) = folder.iterdir()
    stored = path.read_bytes()
    (tmp_path / "same-blocks").hardlink_to(path)
    assert is_kept(folder, "kim")
    assert forget_member(folder, "kim")
    assert not is_kept(folder, "kim")
    left = every_byte(tmp_path)
    assert stored[len(stored) // 2 :][:60] not in left
    assert set(left) == {0}


def test_a_locked_voice_that_was_changed_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "voices"
    keep_member(folder, somebody("Kim"), new_lock("open sesame"))
    (path,) = folder.iterdir()
    path.write_bytes(path.read_bytes()[:-9] + b"AAAAAAA=\n")
    with pytest.raises(UserError, match="cannot be read as a voice"):
        kept_voices(folder, "open sesame")


@pytest.mark.parametrize("passphrase", [None, "open sesame"])
def test_a_voice_for_one_case_is_locked_where_the_case_is(
    tmp_path: Path, passphrase: str | None
) -> None:
    journal, member = begin(tmp_path, passphrase), somebody()
    keep_for_case(journal.folder, journal.keys, [member])
    (found,) = members_of_case(journal.folder, journal.keys)
    assert found.station == "outside"
    assert (secret_of(member) in every_byte(tmp_path)) == (passphrase is None)
    assert stat.S_IMODE((journal.folder / "voices.jsonl").stat().st_mode) == 0o600
    assert forget_case(journal.folder)
    assert secret_of(member) not in every_byte(tmp_path)
    end(journal)


def test_purge_removes_the_voices_of_a_case(tmp_path: Path) -> None:
    journal, member = begin(tmp_path), somebody()
    keep_for_case(journal.folder, journal.keys, [member])
    (tmp_path / "same-blocks").hardlink_to(journal.folder / "voices.jsonl")
    assert purge(journal, WALL) == 1
    assert secret_of(member) not in every_byte(tmp_path)
    end(journal)


@pytest.mark.parametrize("name", ["", " ", "x" * 61, "a\nb"])
def test_a_name_that_cannot_be_one_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(UserError, match="under a name"):
        keep_member(tmp_path / "voices", somebody(name))


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"prints": 3}', "\x00"])
def test_a_file_that_is_no_voice_is_refused_in_a_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / "one.json").write_text(text)
    with pytest.raises(UserError, match="cannot be read as a voice"):
        kept_voices(tmp_path)


def test_prints_of_another_encoder_are_not_compared(tmp_path: Path) -> None:
    text = as_json(somebody("Kim")).replace("weights", "others")
    (tmp_path / "one.json").write_text(text)
    with pytest.raises(UserError, match="another version"):
        kept_voices(tmp_path)
