"""A page or export never costs the evidence it was made from."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from grammar.errors import UserError
from listener.storage import output_file
from listener.storage.output_file import write_output
from listener.storage.private_files import private_file
from tests.support.kept_cases import begin, end, record
from tui.cli import main

CaseCommand = Callable[[Path, Path], list[str]]

COMMANDS: dict[str, CaseCommand] = {
    "debrief": lambda case, file: ["debrief", str(case), "--html", str(file)],
    "handover": lambda case, file: ["handover", str(case), "--html", str(file)],
    "brief": lambda _, file: ["brief", "isolation-airway", "--html", str(file)],
    "export": lambda case, file: ["export", str(case), "--as", "csv", "--out", str(file)],
    "check": lambda _, file: ["check", "--new", str(file)],
    "keys": lambda _, file: ["keys", str(file)],
}


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    journal = begin(tmp_path / "cases")
    record(journal)
    return end(journal)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("name", ["journal.db", "audio.flac", "protocol.toml", "a-new-page.html"])
def test_no_command_writes_into_a_case_folder(
    case: Path, command: str, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(case)
    for wanted in ([], ["--replace"]):
        if wanted and command in ("check", "keys"):
            continue  # these never replace anything
        assert main([*COMMANDS[command](case, case / name), *wanted]) == 2
        assert "case folder" in capsys.readouterr().err
    assert contents(case) == before


@pytest.mark.parametrize("command", COMMANDS)
def test_no_command_writes_through_a_link(
    case: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(case)
    link = tmp_path / "page.html"
    link.symlink_to(case / "journal.db")
    assert main(COMMANDS[command](case, link)) == 2
    assert "is a link" in capsys.readouterr().err
    assert contents(case) == before
    link.unlink()
    link.symlink_to(tmp_path / "nowhere")
    assert main(COMMANDS[command](case, link)) == 2
    assert not (tmp_path / "nowhere").exists()


def test_no_command_writes_into_a_case_folder_that_a_linked_folder_leads_to(
    case: Path, tmp_path: Path
) -> None:
    (tmp_path / "elsewhere").symlink_to(case)
    before = contents(case)
    assert main(COMMANDS["debrief"](case, tmp_path / "elsewhere" / "page.html")) == 2
    assert contents(case) == before


@pytest.mark.parametrize("command", COMMANDS)
def test_a_file_that_is_there_is_left_alone_unless_it_is_said_otherwise(
    case: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page"
    page.write_text("somebody's work")
    assert main(COMMANDS[command](case, page)) == 2
    assert "exists" in capsys.readouterr().err
    assert page.read_text() == "somebody's work"
    if command in ("check", "keys"):
        return
    assert main([*COMMANDS[command](case, page), "--replace"]) == 0
    assert page.read_text() != "somebody's work"
    assert stat.S_IMODE(page.stat().st_mode) == 0o600


def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "page.html"
    page.write_text("yesterday's page")

    def full(path: Path, content: bytes) -> None:
        path.write_bytes(content[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(output_file, "private_file", full)
    with pytest.raises(UserError, match="No space left"):
        write_output(page, b"today's page", replace=True)
    assert page.read_text() == "yesterday's page"
    with pytest.raises(UserError, match="No space left"):
        write_output(tmp_path / "new.html", b"today's page")
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_a_file_that_somebody_else_makes_meanwhile_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "page.html"
    really = private_file

    def meanwhile(path: Path, content: bytes) -> None:
        really(path, content)
        page.write_text("theirs")

    monkeypatch.setattr(output_file, "private_file", meanwhile)
    with pytest.raises(UserError, match="exists already"):
        write_output(page, b"ours")
    assert page.read_text() == "theirs"


def test_a_pipe_or_a_device_is_no_place_for_a_page(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for place in (pipe, Path("/dev/null")):
        with pytest.raises(UserError, match=r"no ordinary file|link"):
            write_output(place, b"a page", replace=True)
