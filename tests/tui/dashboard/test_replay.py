"""The educator goes through a stored case again: any moment of it, and nothing of it is changed."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Heard, Noted, Purged, SpeakerSet
from grammar.errors import UserError
from grammar.protocol.loading import source_text
from listener.audio.playback import Player
from listener.storage.case_reader import open_case
from listener.storage.flac_writer import FlacWriter
from listener.storage.journal import AUDIO, Journal
from tests.support.places import ROOT
from tests.support.screens import heard, shown_text
from tests.support.stored_cases import DRILL, store
from tui.dashboard.replay import KEYS, Replay, landing, neighbour, what_is_heard
from tui.dashboard.widgets.track import line
from tui.pages.debrief.moments import Moment
from tui.pages.debrief.notes import notes_path, read_notes
from tui.text.moment import moment

RUN = "import sys; from tui.cli import main; sys.exit(main())"
FACTS: tuple[Fact, ...] = (
    CaseStarted(protocol="isolation-airway", weight_kg=70, engine="vosk", source="invented"),
    heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"),
    heard(50, "drugs nurse give rocuronium fifty milligrams", "team-leader"),
    heard(55, "rocuronium fifteen milligrams", "drugs-nurse"),
    Noted(t=100.0, text="a mark", mark=True),
    CaseEnded(t=300.0),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text, _ = source_text("isolation-airway")
    journal = Journal.create(
        tmp_path, "isolation-airway", text, began=datetime(2026, 1, 2, tzinfo=UTC)
    )
    for fact in FACTS:
        journal.append_next(fact)
    recording = FlacWriter(journal.folder / AUDIO, 1)
    recording.write(np.full((16_000 * 60, 1), 900, np.int16))
    recording.close()
    journal.close()
    return journal.folder


def contents(folder: Path) -> dict[str, tuple[str, int]]:
    """Every byte of a folder, and when each file was last written."""
    return {
        path.name: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in folder.iterdir()
    }


class Seen:
    def __init__(self, folder: Path, at: float) -> None:
        self.now = 1000.0
        stored = open_case(folder)
        self.player = Player(stored.end, at, lambda: self.now)
        self.app = Replay(stored, self.player, what_is_heard(stored))
        self.pilot: Pilot[None]

    async def press(self, *keys: str) -> str:
        await self.pilot.press(*keys)
        return await self.text()

    async def text(self) -> str:
        for _ in range(2):  # what the first look puts in place, the second fills
            self.app.look()
            await self.pilot.pause()
        return shown_text(self.app)


@asynccontextmanager
async def replayed(folder: Path, at: float = 0.0) -> AsyncIterator[Seen]:
    seen = Seen(folder, at)
    async with seen.app.run_test(size=(110, 34)) as pilot:
        seen.pilot = pilot
        await pilot.pause()
        yield seen


async def test_it_shows_the_case_as_it_stood_at_that_moment(folder: Path) -> None:
    async with replayed(folder, 30.0) as seen:
        text = await seen.text()
        assert "UNANSWERED" in text
        assert "paused 1×, with its sound" in text
        assert "rocuronium" not in text
        assert "listening" not in text
        await seen.press("space")
        seen.now += 27
        text = await seen.text()
        assert "playing 1×" in text
        assert "called 50 mg  ≠  read back 15 mg" in text


async def test_keys_jump_to_findings_to_calls_nobody_answered_and_to_marks(folder: Path) -> None:
    async with replayed(folder) as seen:
        text = await seen.press("f")
        assert seen.player.position == 48.0  # two seconds before the call that was misread
        assert "called 50 mg, read back 15 mg" in text
        text = await seen.press("u")
        assert "no later call not answered in time" in text
        await seen.press("U")
        assert seen.player.position == 8.0
        await seen.press("m")
        assert seen.player.position == 98.0
        await seen.press("left", "shift+right")
        assert seen.player.position == 123.0


async def test_a_time_can_be_typed_and_nonsense_is_refused_in_a_sentence(folder: Path) -> None:
    async with replayed(folder) as seen:
        await seen.press("t", *"1:23", "enter")
        assert seen.player.position == 83.0
        text = await seen.press("t", *"1:7q", "enter")
        assert '"1:7q" is no time' in text
        await seen.press("t", *"99", "escape")
        assert seen.player.position == 83.0
        assert not seen.app.query_one("#prompt", Input).display


async def test_the_speed_goes_from_half_to_eight_times(folder: Path) -> None:
    async with replayed(folder) as seen:
        await seen.press(*["plus"] * 12)
        assert seen.player.speed == 8.0
        text = await seen.press(*["minus"] * 12)
        assert seen.player.speed == 0.5
        assert "0.5×" in text


async def test_a_note_goes_to_a_private_file_beside_the_case(folder: Path) -> None:
    async with replayed(folder, 20.0) as seen:
        text = await seen.press("n", *"door was open", "enter")
        assert "debrief: door was open" in text
    path = notes_path(folder)
    assert path.parent == folder.parent
    assert path.stat().st_mode & 0o777 == 0o600
    assert [(note.t, note.text) for note in read_notes(folder, None)] == [(20.0, "door was open")]
    async with replayed(folder, 25.0) as seen:
        assert "debrief: door was open" in await seen.text()


async def test_a_note_on_a_locked_case_is_locked_likewise(tmp_path: Path) -> None:
    text, _ = source_text("isolation-airway")
    began = datetime(2026, 1, 2, tzinfo=UTC)
    journal = Journal.create(
        tmp_path, "isolation-airway", text, began=began, passphrase="four words for it"
    )
    for fact in FACTS:
        journal.append_next(fact)
    journal.close()
    stored = open_case(journal.folder, "four words for it")
    player = Player(stored.end, 20.0, lambda: 1000.0)
    app = Replay(stored, player, what_is_heard(stored))
    async with app.run_test(size=(110, 34)) as pilot:
        await pilot.press("n", *"door was open", "enter")
    assert b"door" not in notes_path(journal.folder).read_bytes()
    (note,) = read_notes(journal.folder, stored.keys)
    assert (note.t, note.text) == (20.0, "door was open")
    assert stored.keys is not None
    with pytest.raises(UserError, match="is no note"):
        read_notes(journal.folder, replace(stored.keys, sound=bytes(32)))


async def test_replaying_changes_not_one_byte_of_the_case(folder: Path) -> None:
    before = contents(folder)
    async with replayed(folder) as seen:
        for binding in KEYS:
            # After `s` a digit names a speaker: that alone adds a fact, see below.
            if binding.key not in {"q", *"123456"}:
                await seen.press(*binding.key.split(",")[:1])
        # Keys of the live dashboard that would store a fact mean nothing here.
        await seen.press("escape", *"abcdeghijkloprvwxyz1234567890", "escape")
        await seen.press("n", *"a note", "enter", "q")
    assert contents(folder) == before


async def test_q_quits(folder: Path) -> None:
    async with replayed(folder) as seen:
        await seen.press("question_mark", "escape", "q")
        assert seen.app._exit


async def test_a_loudspeaker_that_is_gone_is_told_on_the_screen(folder: Path) -> None:
    async with replayed(folder) as seen:
        assert "with its sound" in await seen.text()
        seen.player.trouble = "the loudspeaker is gone: silent"
        assert "the loudspeaker is gone" in await seen.text()


def test_without_a_sound_library_the_header_says_no_sound(tmp_path: Path) -> None:
    from tests.support.stored_cases import store

    stored = open_case(store(tmp_path, sound=True))
    assert what_is_heard(stored, "a loudspeaker needs PortAudio") == "no sound"
    assert what_is_heard(stored, "muted") == "muted"
    assert what_is_heard(stored) == "with its sound"


async def test_why_there_is_no_sound_stands_below_and_not_in_the_header(folder: Path) -> None:
    async with replayed(folder) as seen:
        seen.app.say_below("no sound: a loudspeaker needs PortAudio")
        text = await seen.text()
        assert "a loudspeaker needs PortAudio" in text
        assert "needs PortAudio" not in text.splitlines()[0]


async def test_a_replay_tells_of_no_microphone_and_of_a_level_only_where_sound_is_heard(
    folder: Path,
) -> None:
    async with replayed(folder) as seen:
        head = (await seen.text()).splitlines()[0]
        assert "microphone" not in head and "sound ·" in head
        seen.player.trouble = "the loudspeaker is gone: silent"
        head = (await seen.text()).splitlines()[0]
        assert "no sound" in head and "·" not in head


async def test_all_words_of_a_jump_are_read_at_80_columns(folder: Path) -> None:
    async with replayed(folder) as seen:
        await seen.pilot.resize_terminal(80, 24)
        told = "Give ketamine 70 mg → Drugs nurse"
        detail = "called 70 mg, read back 17 mg, put right later"
        seen.app._moments = (Moment("differs", 60.0, told, facts=(3,), detail=detail),)
        words = " ".join((await seen.press("f")).split())
        assert f"{told} ({detail})" in words


async def test_f_reaches_each_of_two_findings_at_one_moment_and_comes_back(folder: Path) -> None:
    async with replayed(folder) as seen:
        two = [
            Moment("finding", 60.0, "first", facts=(3,)),
            Moment("finding", 60.0, "second", facts=(4,)),
        ]
        seen.app._moments = (*two, Moment("finding", 90.0, "third", facts=(5,)))
        assert "first" in await seen.press("f")
        assert "second" in await seen.press("f")
        assert "third" in await seen.press("f")
        assert "no later finding" in await seen.press("f")
        assert "second" in await seen.press("F")
        assert "first" in await seen.press("F")


async def test_speakers_are_named_by_listening_and_stored_as_further_facts(tmp_path: Path) -> None:
    nameless = [replace(f, sender=None) if isinstance(f, Heard) else f for f in DRILL]
    folder = store(tmp_path / "cases", nameless)
    before = open_case(folder).facts
    async with replayed(folder) as seen:
        text = await seen.press("s")
        assert "“sats eighty eight percent” who? 1 Team leader" in text
        assert "6 is no station: 1 to 5 say whose voice it was" in await seen.press("6")
        assert seen.player.playing
        seen.now += 10  # the snippet is over long ago
        await seen.text()
        assert not seen.player.playing
        text = await seen.press("3")
        assert "= Drugs nurse." in text
        assert "pressure one thirty" in text  # the next voice
        await seen.press("S")
        await seen.press("2")  # after all it was another
        await seen.press("escape")
        assert "s plays a voice first" in await seen.press("1")
    after = open_case(folder).facts
    assert after[: len(before)] == before
    named = [fact for fact in after[len(before) :] if isinstance(fact, SpeakerSet)]
    assert [(fact.target, fact.station) for fact in named] == [
        (2, "drugs-nurse"),
        (2, "airway-operator"),
    ]
    said = next(line.utterance for line in open_case(folder).view().log if line.fact == 2)
    assert said is not None and said.sender == "airway-operator"


async def test_each_of_the_keys_from_1_on_names_the_station_of_its_place(tmp_path: Path) -> None:
    nameless = [replace(f, sender=None) if isinstance(f, Heard) else f for f in DRILL]
    folder = store(tmp_path / "cases", nameless)
    stations = [station.id for station in open_case(folder).protocol.station]
    async with replayed(folder) as seen:
        await seen.press("s", *(str(key) for key, _ in enumerate(stations, 1)))
    named = [fact for fact in open_case(folder).facts if isinstance(fact, SpeakerSet)]
    assert [fact.station for fact in named] == stations
    assert [fact.target for fact in named] == list(range(2, 2 + len(stations)))


async def test_every_kind_of_moment_has_its_place_on_the_track(folder: Path) -> None:
    from tui.pages.debrief.moments import KIND_SIGNS

    async with replayed(folder) as seen:
        seen.app._moments = tuple(
            Moment(kind, 20.0 + at, "x") for at, kind in enumerate(KIND_SIGNS)
        )
        assert await seen.text()


def test_a_case_that_broke_off_is_replayed_from_its_log_and_left_as_it_is(tmp_path: Path) -> None:
    script = (
        "import os, sys; from pathlib import Path; from datetime import datetime, UTC\n"
        "from grammar.case.facts import *; from grammar.protocol.loading import source_text\n"
        "from listener.storage.journal import Journal\n"
        "text, _ = source_text('isolation-airway')\n"
        "made = Journal.create(Path(sys.argv[1]), 'case', text, began=datetime(2026, 1, 2, tzinfo=UTC))\n"
        "made.append_next(CaseStarted(protocol='isolation-airway'))\n"
        "made.append_next(Noted(t=3.0, text='last words'))\n"
        "os._exit(1)\n"
    )
    subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False)
    (folder,) = tmp_path.iterdir()
    assert (folder / "journal.db-wal").stat().st_size > 0
    before = contents(folder)
    assert open_case(folder).end == 3.0
    assert contents(folder) == before


def test_where_sound_was_purged_there_is_silence_and_a_word_for_it(folder: Path) -> None:
    (folder / AUDIO).unlink()
    journal = Journal.open(folder)
    journal.append_next(Purged(t=300.0))
    journal.close()
    stored = open_case(folder)
    assert what_is_heard(stored) == "sound was purged"
    assert what_is_heard(stored, "no sound can be played") == "sound was purged"
    assert not stored.sound(0.0, 10.0).any()


def test_a_jump_back_just_after_a_landing_goes_further_back() -> None:
    marks = [Moment("mark", t, "") for t in (1.0, 30.0, 60.0)]
    assert neighbour(marks, landing(marks[2]), -1) == marks[1]
    assert neighbour(marks, landing(marks[2]) + 10, -1) == marks[2]
    assert neighbour(marks, landing(marks[2]), 1) is None
    assert neighbour(marks, 0.0, 1) == marks[1]
    assert neighbour(marks, 5.0, -1) == marks[0]


def test_the_line_of_the_case_shows_every_moment_whatever_its_width() -> None:
    cells = line(50.0, 100.0, [Moment("differs", 100.0, ""), Moment("mark", 0.0, "")], 40)
    assert len(cells) == 40
    assert (cells[0][0], cells[20][0], cells[39][0]) == ("◆", "●", "≠")
    assert len(line(0.0, 0.0, [], 1)) == 8


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("205", 205.0), ("205.5", 205.5), ("3:25", 205.0), ("1:03:25", 3805.0), (" 0:00 ", 0.0)],
)
def test_a_time_is_read_as_people_write_it(text: str, seconds: float) -> None:
    assert moment(text) == seconds


@pytest.mark.parametrize("text", ["", "x", "3:", "3:60", "1:60:00", "-3", "nan", "1:2:3:4"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no time"):
        moment(text)


def test_without_a_terminal_it_says_what_to_use(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", RUN, "replay", str(folder), "--mute"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert done.returncode == 2
    assert "no terminal" in done.stderr


async def test_ctrl_c_leaves_nothing_and_says_which_key_does(folder: Path) -> None:
    async with replayed(folder) as seen:
        await seen.press("t", *"1:2", "ctrl+c", "ctrl+c")
        assert not seen.app._exit
        await seen.press("3", "enter")  # what was written stands
        assert seen.player.position == 83.0
        text = await seen.press("ctrl+c")
        assert "Ctrl-C does nothing here: q leaves the replay" in text
