"""The briefing view before a case: the sheet, a try of the microphone, the recording, the consent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from grammar.case.facts import CaseStarted, Noted
from grammar.errors import UserError
from listener.audio.blocks import Block
from listener.audio.level_check import LevelCheck
from listener.audio.sources import AudioFile
from tests.support.screens import KeyClock, by_the_clock, protocol, shown_text
from tui.dashboard.app import Dashboard
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.preflight import SPOKEN, BriefingChoice, Preflight
from tui.dashboard.widgets.header import Header
from tui.listening.case_listening import Listening
from tui.listening.json_lines import run_headless
from tui.listening.options import CaseOptions
from tui.text.wording import DRILL_WORDS

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))


class Tone:
    """A source of one level, for ever."""

    name, channels, rate, live = "a tone", 1, 16_000, True

    def __init__(self, peak: int) -> None:
        self._peak = peak

    def blocks(self) -> Iterator[Block]:
        wave = self._peak * np.sin(2 * np.pi * 440 * np.arange(1600) / 16_000)
        at = 0.0
        while at < 20:
            yield Block(at, wave.round().astype(np.int16)[:, None])
            at += 0.1


def before(weight_kg: float | None = 70, record: bool = True) -> Preflight:
    return Preflight(
        protocol(), weight_kg=weight_kg, record=record, check=None, source="drill.flac"
    )


async def chosen(*keys: str, app: Preflight | None = None) -> BriefingChoice | None:
    """What comes of these keys."""
    app, clock = app or before(), KeyClock()
    with by_the_clock(clock):
        async with app.run_test(size=(100, 30)) as pilot:
            for at, key in enumerate(keys):
                if key == "enter" and "enter" in keys[:at]:
                    clock.put_on(BOUNCE_S)
                await pilot.press(key)
            await pilot.pause()
    return app.return_value


async def test_enter_begins_with_what_the_command_line_asked_for() -> None:
    assert await chosen("enter") == BriefingChoice(record=True, note="", weight_kg=70)


async def test_an_odd_weight_of_the_command_line_is_asked_about_before_the_case_begins() -> None:
    assert await chosen("enter", app=before(weight_kg=7)) is None
    assert await chosen("enter", "enter", app=before(weight_kg=7)) == BriefingChoice(
        record=True, note="", weight_kg=7
    )


async def test_leaving_begins_nothing() -> None:
    assert await chosen("q") is None


async def test_recording_is_a_choice() -> None:
    assert await chosen("r", "enter") == BriefingChoice(record=False, note="", weight_kg=70)
    assert await chosen("r", "r", "enter") == BriefingChoice(record=True, note="", weight_kg=70)


async def test_consent_is_written_or_said_to_be_given_aloud() -> None:
    written = await chosen("n", *"asked", "enter", "enter")
    assert written is not None
    assert written.note == "asked"
    aloud = await chosen("a", "enter")
    assert aloud is not None
    assert aloud.note == SPOKEN


async def test_a_note_may_hold_the_letters_of_keys() -> None:
    written = await chosen("n", *"warq", "enter", "enter")
    assert written == BriefingChoice(record=True, note="warq", weight_kg=70)


async def test_a_weight_changes_the_doses_of_the_sheet_and_a_wrong_one_is_refused(
    clock: KeyClock,
) -> None:
    app = before(weight_kg=None)
    async with app.run_test(size=(120, 60)) as pilot:
        await pilot.pause(0.2)
        assert "weight not entered" in shown_text(app)
        await pilot.press("w", *"-3", "enter")
        await pilot.pause(0.2)
        assert "is not a weight" in shown_text(app)
        await pilot.press("escape", "w", *"80", "enter")
        await pilot.pause(0.2)
        shown = shown_text(app)
        assert "80 kg" in shown
        assert "120 mg" in shown  # ketamine, 1.5 mg/kg on the invented sheet
        # One Enter too many begins nothing yet.
        clock.put_on(2 * BOUNCE_S)
        await pilot.press("enter")
    assert app.return_value == BriefingChoice(record=True, note="", weight_kg=80)


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (140, 45)])
async def test_the_choices_keys_and_caution_fit_every_terminal(size: tuple[int, int]) -> None:
    app = before()
    async with app.run_test(size=size) as pilot:
        await pilot.pause(0.2)
        shown = shown_text(app)
    for wanted in (
        "SOUND WILL BE RECORDED",
        "consent to the recording",
        "not a medical device",
        "leave",
    ):
        assert wanted in shown


async def test_nothing_is_told_by_colour_alone() -> None:
    on, off = before(record=True), before(record=False)
    async with on.run_test() as pilot:
        await pilot.pause(0.2)
        assert "● SOUND WILL BE RECORDED" in shown_text(on)
    async with off.run_test() as pilot:
        await pilot.pause(0.2)
        assert "○ sound will not be recorded" in shown_text(off)


# ---------------------------------------------------------------------- the microphone


@pytest.mark.parametrize(
    ("peak", "verdict"), [(30, "too quiet"), (4000, "good"), (32_767, "TOO LOUD")]
)
def test_the_level_is_judged(peak: int, verdict: str) -> None:
    check = LevelCheck(lambda: Tone(peak))
    check.start()
    check._thread.join(5)
    assert verdict in check.verdict
    assert len(check.levels) == 1


def test_a_microphone_that_is_missing_is_told_in_a_sentence() -> None:
    def none() -> Tone:
        raise UserError("There is no microphone.")

    check = LevelCheck(none)
    check.start()
    check.stop()
    assert check.verdict == "There is no microphone."


# ---------------------------------------------------------------------- what becomes of it


def options(cases: Path) -> CaseOptions:
    """What a case is to be of a patient of 70 kg, unrecorded, as fast as it can be heard."""
    return CaseOptions(
        protocol="isolation-airway",
        weight_kg=70,
        recogniser="vosk",
        model=None,
        cases=cases,
        record=False,
        real_pace=False,
    )


@pytest.mark.parametrize("record", [True, False])
def test_the_choice_and_the_consent_are_stored_with_the_case(tmp_path: Path, record: bool) -> None:
    note = "consent asked by the recorder"
    wishes = replace(options(tmp_path), record=record, note=note)
    listening = Listening(AudioFile(QUICK), wishes)
    run_headless(listening)
    began, noted = listening.case.facts[:2]
    assert isinstance(began, CaseStarted)
    assert began.recording is record
    assert isinstance(noted, Noted)
    assert noted.text == note
    (folder,) = tmp_path.iterdir()
    assert (folder / "audio.flac").exists() is record


async def test_scenario_and_objectives_are_typed_at_the_briefing_and_kept_with_the_choice(
    clock: KeyClock,
) -> None:
    app = Preflight(
        protocol(), weight_kg=70.0, record=False, check=None, source="a file", scenario="door stuck"
    )
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press("o", *"read back; stay calm", "enter")
        clock.put_on(2 * BOUNCE_S)  # one Enter too many would begin the case
        await pilot.press("enter")
    choice = app.return_value
    assert choice is not None
    assert (choice.scenario, choice.objectives) == ("door stuck", ("read back", "stay calm"))


async def test_one_enter_too_many_after_the_weight_does_not_begin_the_case(
    clock: KeyClock,
) -> None:
    app = before(weight_kg=None)
    async with app.run_test(size=(120, 60)) as pilot:
        await pilot.pause(0.2)
        await pilot.press("w", *"80", "enter", "enter")
        assert app.is_running
        assert app.return_value is None


async def test_ctrl_c_loses_nothing_that_was_entered() -> None:
    app = before(weight_kg=None)
    async with app.run_test(size=(120, 60)) as pilot:
        await pilot.pause(0.2)
        await pilot.press("w", *"80", "enter", "ctrl+c")
        await pilot.pause(0.2)
        shown = shown_text(app)
    assert "Ctrl-C does nothing here" in shown
    assert "80 kg" in shown


# ---------------------------------------------------------------------- the first picture


async def test_the_first_picture_of_a_drill_says_so_and_has_the_weight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    listening = Listening(AudioFile(QUICK), replace(options(tmp_path), drill=True))
    # Whatever stands in the header then stands there before a single block was heard.
    monkeypatch.setattr(listening.live, "run", lambda: None)
    heads: list[str] = []

    screen = Dashboard(
        listening.protocol,
        view_at=listening.view,
        clock=lambda: listening.live.now,
        status=listening.status,
        start=listening.start,
        stop=listening.stop,
    )
    draw = screen.look

    def drawn() -> None:
        draw()
        # None is left while the screen is taken down.
        heads.extend(str(each.content) for each in screen.query(Header) if str(each.content))

    monkeypatch.setattr(screen, "look", drawn)
    async with screen.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
    listening.close()
    assert DRILL_WORDS[True] in heads[0]
    assert "70 kg" in heads[0]
