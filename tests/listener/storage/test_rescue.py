"""A disk that takes no more, to the very end of the case: the log is put elsewhere, and taken in later."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
import soundfile

from grammar.case.facts import CaseEnded, CaseStarted, Heard, Noted
from listener.storage.case_reader import open_case
from listener.storage.fact_reader import stored_facts
from listener.storage.rescue import rescue, take_in
from listener.storage.seals import verify
from tests.listener.storage.test_storage_trouble import Lines, wait_until
from tests.support.kept_cases import WALL, begin, record
from tests.support.small_disk import SmallDisk, small_disk
from tui.listening.ending import put_elsewhere

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
WORDS = "correct horse battery staple"  # invented


@pytest.fixture
def full(tmp_path: Path) -> Iterator[SmallDisk]:
    with small_disk(tmp_path / "disk", kilobytes=4096) as disk:
        yield disk


def private(folder: Path) -> bool:
    return folder.stat().st_mode & 0o777 == 0o700 and all(
        path.stat().st_mode & 0o777 == 0o600 for path in folder.iterdir()
    )


@pytest.mark.slow
@pytest.mark.parametrize("locked", [False, True])
def test_a_case_that_ends_on_a_full_disk_is_put_elsewhere_and_taken_in_again(
    full: SmallDisk, tmp_path: Path, locked: bool
) -> None:
    (tmp_path / "words").write_text(WORDS)
    lock = ["--passphrase-file", str(tmp_path / "words")] if locked else []
    passphrase = WORDS if locked else None
    sound, _ = soundfile.read(QUICK, dtype="int16")
    half = len(sound) // 2
    listen = ["listen", "-", "--json", "--cases", str(full.path / "cases"), *lock]
    state = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "state")}
    process = subprocess.Popen(
        [*COMMAND, *listen],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=state,
    )
    assert process.stdin
    assert process.stdout
    assert process.stderr
    lines, errors = Lines(process.stdout), Lines(process.stderr)
    process.stdin.write(sound[:half].tobytes())
    process.stdin.flush()
    wait_until(lambda: len(lines.lines) >= 2)
    full.fill()
    process.stdin.write(sound[half:].tobytes())
    process.stdin.close()
    wait_until(lambda: any("Ctrl-C" in line for line in errors.lines), 60)
    process.send_signal(signal.SIGINT)  # nobody waits for half a minute here
    assert process.wait(timeout=60) == 2
    wait_until(lambda: any("the whole log is in" in line for line in errors.lines))

    shown = [json.loads(line) for line in lines.lines]
    seqs = [line["seq"] for line in shown if line["kind"] == "utterance"]
    (elsewhere,) = (tmp_path / "state" / "answerback" / "rescued").iterdir()
    assert private(elsewhere)
    assert verify(elsewhere, passphrase).misfit == ""
    rescued = open_case(elsewhere, passphrase).facts
    assert [fact.seq for fact in rescued if isinstance(fact, Heard)] == seqs
    if locked:
        left = b"".join(path.read_bytes() for path in elsewhere.glob("journal.db*"))
        assert b"heard" not in left

    full.empty()
    (folder,) = (full.path / "cases").iterdir()
    assert len(open_case(folder, passphrase).facts) < len(rescued)
    resume = [*COMMAND, "resume", str(folder), "-", "--json", *lock]
    done = subprocess.run(resume, input=b"", capture_output=True, check=False, env=state)
    assert b"facts that were rescued are in the case now" in done.stderr
    assert b"this case has ended" in done.stderr
    assert open_case(folder, passphrase).facts == rescued
    assert verify(folder, passphrase).misfit == ""
    assert not elsewhere.exists()


def test_what_was_rescued_of_another_case_of_the_same_name_is_left_alone(tmp_path: Path) -> None:
    journal = begin(tmp_path / "cases")
    record(journal)
    facts = journal.facts()
    protocol = (journal.folder / "protocol.toml").read_text()
    first = facts[0]
    assert isinstance(first, CaseStarted)
    other = [replace(first, wall="2001-01-01T00:00:00+00:00"), *facts[1:]]
    place = tmp_path / "rescued"
    folder, _ = rescue(
        place,
        journal,
        protocol_text=protocol,
        facts=[*other, Noted(seq=99, t=9.0, text="elsewhere")],
        wall=WALL,
    )
    journal.close()
    assert take_in(journal.folder, None, place, WALL) == 0
    assert stored_facts(journal.folder).facts == facts
    assert folder.is_dir()


def test_what_is_taken_in_twice_is_there_once(tmp_path: Path) -> None:
    journal = begin(tmp_path / "cases")
    known = journal.facts()
    told = Noted(seq=len(known) + 1, t=9.0, text="told")
    facts = [*known, told, CaseEnded(seq=len(known) + 2, t=10.0, wall=WALL)]
    protocol = (journal.folder / "protocol.toml").read_text()
    place = tmp_path / "rescued"
    for _ in range(2):
        rescue(place, journal, protocol_text=protocol, facts=facts, wall=WALL)
    journal.close()
    assert take_in(journal.folder, None, place, WALL) == 2
    assert take_in(journal.folder, None, place, WALL) == 0
    assert [fact.kind for fact in stored_facts(journal.folder).facts][-2:] == [
        "noted",
        "case-ended",
    ]
    assert list(place.iterdir()) == []


def test_where_nothing_can_be_written_at_all_it_says_how_much_is_lost(tmp_path: Path) -> None:
    journal = begin(tmp_path / "cases")
    (tmp_path / "file").write_text("")
    said = put_elsewhere(
        tmp_path / "file",
        journal,
        protocol_text="",
        facts=journal.facts(),
        left=3,
        signing_key=None,
    )
    assert "the last 3 facts" in said
    assert "are on no disk" in said
    journal.close()


def test_nothing_is_looked_for_where_nothing_was_rescued(tmp_path: Path) -> None:
    journal = begin(tmp_path / "cases")
    journal.close()
    assert take_in(journal.folder, "no matter", tmp_path / "none", WALL) == 0
