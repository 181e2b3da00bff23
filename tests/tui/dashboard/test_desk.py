"""The desk lists the cases as they stand, names damaged ones, and does what is asked of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from importlib.resources import files
from pathlib import Path

import pytest

from grammar.case.facts import CaseEnded, CaseStarted, Heard
from grammar.language.words import Word
from listener.storage.case_index import shelf, shelved
from listener.storage.case_lock import hold_case
from listener.storage.journal import Journal
from tests.support.places import DASHBOARD_PAGE
from tests.support.screens import shown_text
from tui.cli import main
from tui.dashboard.desk import KEYS, Desk

COMMANDS = ("listen", "resume", "view", "replay", "handover", "debrief", "purge")
TEXT = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(encoding="utf-8")


def case(place: Path, hour: int, *, ended: bool = True) -> Path:
    """A case that began at that hour of an invented day."""
    began = datetime.fromisoformat(f"2025-03-01T{hour:02d}:00:00+01:00")
    journal = Journal.create(place, "isolation-airway", TEXT, began=began)
    journal.append_next(CaseStarted(wall=began.isoformat(), protocol="isolation-airway"))
    journal.append_next(Heard(t=1, until=2, words=(Word("ready", 1, 2),)))
    if ended:
        journal.append_next(CaseEnded(t=95))
    journal.close()
    return journal.folder


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """An ended case, one broken off, and a damaged one, the newest last."""
    case(tmp_path, 9)
    case(tmp_path, 10, ended=False)
    broken = case(tmp_path, 11)
    (broken / "journal.db").write_bytes(b"not a database at all")
    return tmp_path


class Told:
    """Keeps what the desk would have run."""

    def __init__(self) -> None:
        self.commands: list[tuple[str, ...]] = []

    def __call__(self, arguments: Sequence[str], read: bool) -> str:
        first, *rest = arguments
        self.commands.append((first, *(Path(each).name for each in rest)))
        return f"THE {first.upper()}\n" * 50 if read else ""


async def pressed(place: Path, *keys: str) -> tuple[str, list[tuple[str, ...]]]:
    """The screen after these keys, and what was run."""
    told = Told()
    app = Desk(place, COMMANDS, told)
    async with app.run_test(size=(140, 24)) as pilot:
        await app.workers.wait_for_complete()
        await pilot.pause()
        for key in keys:
            await pilot.press(key)
            await pilot.pause()
        await app.workers.wait_for_complete()
        await pilot.pause()
        return shown_text(app), told.commands


def test_each_case_stands_as_it_is_and_damage_has_a_reason(place: Path) -> None:
    found = [shelved(folder) for folder in shelf(place)]
    assert [one.standing for one in found] == ["damaged", "broken off", "ended"]
    assert found[0].trouble
    assert str(place) not in found[0].trouble
    assert (found[2].length_s, found[2].said, found[2].sound) == (95, 1, "none")


def test_a_case_that_is_being_heard_is_running(place: Path) -> None:
    folder = list(shelf(place))[1]
    with hold_case(folder):
        assert shelved(folder).standing == "running"


def test_a_folder_without_its_journal_or_protocol_is_damaged_not_hidden(place: Path) -> None:
    _, middle, last = shelf(place)
    (middle / "journal.db").unlink()
    (last / "protocol.toml").unlink()
    assert [shelved(each).standing for each in (middle, last)] == ["damaged", "damaged"]


async def test_the_list_shows_every_case_the_newest_first(place: Path) -> None:
    shown, _ = await pressed(place)
    assert "3 cases" in shown
    assert "1 DAMAGED" in shown
    why, *rows = [line for line in shown.splitlines() if "isolation-airway" in line]
    assert "cannot be read" in why  # of the damaged case, which is chosen at first
    assert ["DAMAGED" in rows[0], "broken off" in rows[1], "ended" in rows[2]] == [True] * 3
    assert "01:35" in rows[2]
    assert "not a medical device" in shown


async def test_enter_does_what_suits_the_case(place: Path) -> None:
    _, run = await pressed(place, "down", "enter")
    assert run == [("resume", "2025-03-01_10-00-00_isolation-airway")]
    _, run = await pressed(place, "down", "down", "enter")
    assert run == [("replay", "2025-03-01_09-00-00_isolation-airway")]


@pytest.mark.parametrize(
    ("key", "command"), [("v", "view"), ("r", "replay"), ("o", "handover"), ("d", "debrief")]
)
async def test_a_key_runs_its_command_on_the_chosen_case(
    place: Path, key: str, command: str
) -> None:
    _, run = await pressed(place, "down", "down", key)
    assert run == [(command, "2025-03-01_09-00-00_isolation-airway")]


async def test_a_page_is_read_on_the_desk_from_its_beginning_and_the_same_case_stays_chosen(
    place: Path,
) -> None:
    shown, _ = await pressed(place, "down", "down", "d")
    assert "THE DEBRIEF" in shown
    assert "CASES" not in shown
    for back in ("escape", "enter", "q"):
        shown, run = await pressed(place, "down", "down", "d", back)
        assert "chosen: 2025-03-01_09-00-00_isolation-airway" in shown
        assert len(run) == 1


async def test_only_what_was_broken_off_goes_on(place: Path) -> None:
    _, run = await pressed(place, "down", "g")
    assert run == [("resume", "2025-03-01_10-00-00_isolation-airway")]
    shown, run = await pressed(place, "down", "down", "g")
    assert run == []
    assert "only what was broken off goes on" in shown


async def test_a_locked_case_may_go_on_since_only_its_passphrase_shows_whether_it_ended(
    tmp_path: Path,
) -> None:
    (case(tmp_path, 9, ended=False) / "lock.json").write_text("{}")
    _, run = await pressed(tmp_path, "g")
    assert run == [("resume", "2025-03-01_09-00-00_isolation-airway")]


async def test_a_damaged_case_is_told_and_not_opened(place: Path) -> None:
    shown, run = await pressed(place, "enter", "r")
    assert run == []
    assert "cannot be read" in shown


async def test_sound_is_purged_only_after_a_yes(place: Path) -> None:
    shown, run = await pressed(place, "down", "p")
    assert "REMOVE the sound" in shown
    assert run == []
    for no in ("escape", "up"):
        _, run = await pressed(place, "down", "p", no, "y")
        assert run == []
    _, run = await pressed(place, "down", "p", "y")
    assert run == [("purge", "2025-03-01_10-00-00_isolation-airway", "--yes")]


async def test_a_new_case_begins_in_the_same_folder(place: Path) -> None:
    _, run = await pressed(place, "n")
    assert run == [("listen", "--cases", place.name)]


async def test_every_key_stands_in_the_footer_and_what_is_missing_is_not_offered(
    place: Path,
) -> None:
    shown, _ = await pressed(place)
    words = " ".join(shown.split())
    for key in KEYS:
        assert f"{key.key_display or key.key} {key.description}" in words
    app = Desk(place, ("listen",), Told())
    async with app.run_test(size=(140, 24)) as pilot:
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "debrief" not in shown_text(app)


def test_every_key_of_the_desk_stands_on_its_page() -> None:
    page = DASHBOARD_PAGE.read_text(encoding="utf-8").split("## The desk")[1].split("\n## ")[0]
    for key in KEYS:
        assert f"| `{key.key_display or key.key}` |" in page


async def test_an_empty_or_missing_folder_is_an_empty_list(tmp_path: Path) -> None:
    shown, run = await pressed(tmp_path / "none", "enter", "p", "r")
    assert "0 cases" in shown
    assert "no case yet: n begins one" in shown
    assert run == []


def test_without_a_terminal_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["desk", "--cases", str(tmp_path)]) == 2
    assert "no terminal" in capsys.readouterr().err


async def test_a_column_is_as_wide_as_what_stands_in_it_when_it_is_read_again(
    tmp_path: Path,
) -> None:
    folder = case(tmp_path, 9)
    app = Desk(tmp_path, COMMANDS, Told())
    async with app.run_test(size=(170, 24)) as pilot:
        await app.workers.wait_for_complete()
        longer = tmp_path / f"{folder.name}-and-a-name-that-is-longer"
        folder.rename(longer)
        await pilot.press("f5")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert longer.name in shown_text(app).split("folder")[1]
