"""A case under a passphrase: nothing of it can be read without, and a wrong one changes nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

import listener.storage.passphrase
from grammar.case.facts import CaseEnded, Noted
from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import open_case
from listener.storage.encrypted_audio import EncryptedAudioReader, EncryptedAudioWriter
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import JOURNAL, Journal
from listener.storage.passphrase import LOCK, Keys, unlock
from listener.storage.purge import purge
from listener.storage.seals import seal, verify
from listener.storage.sound_reader import kept_sound
from tests.support.kept_cases import WALL, begin, end, noise, record
from tests.support.places import ROOT
from tui.cli import main

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
WORDS = "correct horse battery staple"  # invented


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Keys at a lower price, so that tests are quick."""
    monkeypatch.setattr(listener.storage.passphrase, "COST", 2**10)
    yield


@pytest.fixture
def case(tmp_path: Path) -> Path:
    journal = begin(tmp_path, WORDS)
    record(journal, 6.5)
    journal.append_next(CaseEnded(t=6.5, wall=WALL))
    seal(journal, WALL)
    journal.close()
    return journal.folder


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_scrypt_is_that_of_rfc_7914() -> None:
    """RFC 7914, section 12, second vector."""
    found = Scrypt(salt=b"NaCl", length=64, n=1024, r=8, p=16).derive(b"password")
    assert found.hex().startswith(
        "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
    )


def test_with_its_passphrase_a_case_opens_as_any_other(case: Path) -> None:
    stored = open_case(case, WORDS)
    assert [fact.kind for fact in stored.facts][::5] == ["case-started", "case-ended"]
    assert stored.missing == ()
    np.testing.assert_array_equal(stored.sound(0.0, 6.5), noise(6.5))
    np.testing.assert_array_equal(stored.sound(1.9, 4.05), noise(6.5)[30_400:64_800])
    assert verify(case, WORDS).misfit == ""


def test_nothing_that_was_said_stands_in_the_files(tmp_path: Path) -> None:
    journal = begin(tmp_path, WORDS)
    record(journal)
    # While it is being written, its log included, and after.
    for _ in range(2):
        told = content(journal.folder)
        assert JOURNAL in told
        for name, found in told.items():
            if name != "protocol.toml":
                assert b"ketamine" not in found, name
                assert b"SQLite format" not in found, name
                assert b"fLaC" not in found, name
        if "journal.db-wal" in told:
            end(journal)


@pytest.mark.parametrize("given", [None, "", "correct horse", WORDS + " "])
def test_a_wrong_passphrase_says_so_and_changes_nothing(case: Path, given: str | None) -> None:
    before = content(case)
    for way in (open_case, Journal.open, verify):
        with pytest.raises(UserError, match=r"is not the passphrase|is locked"):
            way(case, given)
    assert content(case) == before


def test_the_commands_say_so_too(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "right").write_text(WORDS + "\n")
    (tmp_path / "wrong").write_text("something else\n")
    (tmp_path / "empty").write_text("\n")
    before = content(case)
    for command in ("verify", "purge", "seal", "handover", "replay"):
        for name in ("wrong", "empty"):
            told = [command, str(case), "--passphrase-file", str(tmp_path / name)]
            assert main(told) == 2
            assert "passphrase" in capsys.readouterr().err
    assert content(case) == before
    assert main(["verify", str(case), "--passphrase-file", str(tmp_path / "right")]) == 0


def test_the_store_waits_for_the_disk_as_it_does_without(case: Path) -> None:
    """SQLite, "PRAGMA synchronous": 2 is FULL."""
    journal = Journal.open(case, WORDS)
    assert journal._database.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert journal._database.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert journal._database.execute("PRAGMA cipher_version").fetchone()
    journal.close()


def test_a_passphrase_is_stored_nowhere_and_each_case_has_its_own_keys(tmp_path: Path) -> None:
    one, two = begin(tmp_path, WORDS), begin(tmp_path, WORDS)
    assert one.keys != two.keys
    assert WORDS.encode() not in b"".join(content(one.folder).values())


def test_an_empty_passphrase_is_none(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="empty"):
        begin(tmp_path, "")


@pytest.mark.parametrize("text", ["", "{}", '{"version":2}', "[" * 9999, '{"n": 1e99}'])
def test_a_lock_that_was_tampered_with_is_refused(case: Path, text: str) -> None:
    (case / LOCK).write_text(text)
    with pytest.raises(UserError, match="cannot be read"):
        unlock(case, WORDS)


def test_a_lock_cannot_ask_for_all_the_memory_there_is(case: Path) -> None:
    text = (case / LOCK).read_text()
    (case / LOCK).write_text(text.replace('"n": 1024', '"n": 1073741824'))
    with pytest.raises(UserError, match="cannot be read"):
        unlock(case, WORDS)


def test_a_killed_case_is_there_to_its_last_fact_and_to_two_seconds_of_its_sound(
    tmp_path: Path,
) -> None:
    script = f"""
        import os, sys
        sys.path.insert(0, {str(ROOT)!r})
        import listener.storage.passphrase
        listener.storage.passphrase.COST = 1024
        from pathlib import Path
        from tests.support.kept_cases import begin, noise
        from grammar.case.facts import Noted
        from listener.storage.flac_writer import FlacWriter
        journal = begin(Path({str(tmp_path)!r}), {WORDS!r})
        recording = FlacWriter(journal.folder / "audio.flac", 1, journal.keys)
        sound = noise(8.0)
        for at in range(0, len(sound), 1600):
            recording.write(sound[at : at + 1600])
        print(journal.append_next(Noted(t=8.0, text="told")).seq, flush=True)
        os.kill(os.getpid(), {int(signal.SIGKILL)})
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, check=False
    )
    (folder,) = tmp_path.iterdir()
    stored = open_case(folder, WORDS)
    assert stored.facts[-1].seq == int(done.stdout)
    assert stored.sounds[0].kept.frames >= 6.0 * SAMPLE_RATE
    np.testing.assert_array_equal(stored.sound(0.0, 6.0), noise(8.0)[: 6 * SAMPLE_RATE])
    assert stored.missing == ("audio.flac breaks off after 8.0 s",)
    assert Journal.open(folder, WORDS).append_next(Noted(t=9.0, text="later")).seq == 7


def test_each_second_of_sound_is_put_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As libsndfile does for sound that is not locked (`sf_write_sync`)."""
    put: list[int] = []
    monkeypatch.setattr("listener.storage.encrypted_audio.os.fsync", put.append)
    recording = FlacWriter(tmp_path / "audio.flac", 1, Keys(bytes(32), bytes(32)))
    begun = len(put)
    for _ in range(52):
        recording.write(np.zeros((1600, 1), np.int16))
    assert len(put) - begun == 5
    recording.close()


def test_sound_cut_changed_or_reordered_is_not_taken_for_the_whole(case: Path) -> None:
    keys = unlock(case, WORDS)
    assert keys is not None
    path = case / "audio.flac.locked"
    whole = path.read_bytes()
    lengths, at = [], 25
    while at < len(whole):
        lengths.append((at, at + 4 + int.from_bytes(whole[at : at + 4], "little")))
        at = lengths[-1][1]
    assert len(lengths) == 7
    path.write_bytes(whole[: lengths[5][1]])
    assert not kept_sound(path, keys).complete
    one, two = (whole[a:b] for a, b in lengths[1:3])
    path.write_bytes(whole[: lengths[1][0]] + two + one + whole[lengths[3][0] :])
    assert not kept_sound(path, keys).read(SAMPLE_RATE, 2 * SAMPLE_RATE).any()
    path.write_bytes(whole[:5000] + bytes([whole[5000] ^ 1]) + whole[5001:])
    assert not kept_sound(path, keys).read(0, SAMPLE_RATE).any()
    assert kept_sound(path, keys).read(2 * SAMPLE_RATE, SAMPLE_RATE).any()


def test_a_full_disk_leaves_no_half_second_behind_and_the_sound_waits(tmp_path: Path) -> None:
    import resource

    handle = os.open(tmp_path / "sound", os.O_RDWR | os.O_CREAT, 0o600)
    file = EncryptedAudioWriter(handle, 1, bytes(32))
    sound = noise(5.0)
    file.write(sound[:32_000])
    was, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (os.fstat(handle).st_size + 1000, most))
        with pytest.raises(OSError, match="too large"):
            file.write(sound[32_000:])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (was, most))
        signal.signal(signal.SIGXFSZ, ignored)
    file.close()
    os.close(handle)
    kept = EncryptedAudioReader(tmp_path / "sound", bytes(32))
    assert kept.complete
    np.testing.assert_array_equal(kept.read(0, kept.frames), sound)


def test_a_locked_case_is_purged_like_any_other(case: Path) -> None:
    journal = Journal.open(case, WORDS)
    assert purge(journal, WALL) == 1
    journal.close()
    assert not list(case.glob("audio*"))
    assert open_case(case, WORDS).facts[-1].kind == "purged"
    assert verify(case, WORDS).misfit == ""


def test_a_case_is_heard_and_locked_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "words").write_text(WORDS)
    locked = ["--passphrase-file", str(tmp_path / "words")]
    cases = tmp_path / "cases"
    assert main(["listen", str(QUICK), "--json", "--cases", str(cases), *locked]) == 0
    (case,) = cases.iterdir()
    assert sorted(path.name for path in case.iterdir()) == [
        "audio.flac.locked",
        "journal.db",
        "lock.json",
        "protocol.toml",
        "seals.jsonl",
    ]
    capsys.readouterr()
    assert main(["verify", str(case), *locked]) == 0
    assert "whole" in capsys.readouterr().out
    stored = open_case(case, WORDS)
    assert stored.sound(0.0, 10.0).any()
    # It goes on with sound, locked by the same passphrase.
    assert main(["resume", str(case), str(QUICK), "--json", "--reopen", *locked]) == 0
    again = open_case(case, WORDS)
    assert again.missing == ()
    assert [sound.path.name for sound in again.sounds] == [
        "audio.flac.locked",
        "audio-2.flac.locked",
    ]
    starts_s = again.sounds[1].starts_s
    assert again.sound(starts_s, starts_s + 10.0).any()
    assert verify(case, WORDS).misfit == ""


def test_keys_show_nothing_of_themselves() -> None:
    assert repr(Keys(b"secret", b"secret")).find("secret") < 0
