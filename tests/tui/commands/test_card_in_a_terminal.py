"""The card read in a real terminal from a sound server: each sentence is said once it is asked for."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest
import soundfile

from grammar.advice.reading_card import reading_card
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from tests.support.needs import program
from tests.support.places import SAMPLES
from tests.support.sound_card import Card, sound_card
from tests.support.speech import espeak, stretches

terminal = program("tmux")
ASKED = re.compile("^say: (.+)$", re.MULTILINE)


class Terminal:
    """A tmux server of the test's own, 100 columns wide."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self._socket = str(folder / "terminal")
        self._environment = environment

    def run(self, *command: str) -> str:
        whole = ["tmux", "-S", self._socket, *command]
        done = subprocess.run(
            whole, env=self._environment, capture_output=True, text=True, check=False, timeout=30
        )
        return done.stdout

    def screen(self) -> str:
        return self.run("capture-pane", "-p", "-S", "-200", "-J")


@contextmanager
def running(card: Card, folder: Path, command: str, rows: int) -> Iterator[Terminal]:
    """answerback in a terminal with a sound card, the quick ear alone, and data in `folder`."""
    environment = card.environment | {
        "ANSWERBACK_EARS": "quick",
        "XDG_DATA_HOME": str(folder / "data"),
    }
    screen = Terminal(folder, environment)
    answerback = f"{sys.executable} -c 'from tui.cli import main; main()'"
    whole = f"{answerback} {command}; sleep 600"
    screen.run("new-session", "-d", "-x", "100", "-y", str(rows), whole)
    try:
        yield screen
    finally:
        screen.run("kill-server")


@pytest.mark.slow
@sound_card
@terminal
def test_a_card_is_read_from_a_sound_server(card: Card, tmp_path: Path) -> None:
    with running(card, tmp_path, "team --station drugs-nurse", 40) as screen:
        wait_for(screen, "may your voice be known?")
        screen.run("send-keys", "yes Kim", "Enter")
        sounds = stretches(SAMPLES / "card-drugs-nurse.flac")
        sentences = dict(zip(reading_card(load_protocol("isolation-airway")), sounds, strict=True))
        read_as_asked(screen, card, tmp_path / "one.wav", sentences, "kept as Kim")
        told = wait_for(screen, "kept as Kim")
        assert told.count("understood (quick ear)") >= 10
        assert "Drugs nurse: known from" in told


@pytest.mark.slow
@sound_card
@terminal
def test_a_yes_that_is_said_aloud_counts_and_other_speech_does_not(
    card: Card, tmp_path: Path
) -> None:
    with running(card, tmp_path, "team --station drugs-nurse", 40) as screen:
        wait_for(screen, "or say: ")
        time.sleep(1.0)  # the microphone opens
        soundfile.write(tmp_path / "other.wav", espeak("ketamine ready"), 16_000)
        said_until(screen, card, tmp_path / "other.wav", "that was no clear yes")
        soundfile.write(tmp_path / "yes.wav", espeak("yes, keep my voice"), 16_000)
        said_until(screen, card, tmp_path / "yes.wav", "heard: “yes, keep my voice”")
        wait_for(screen, "] 0 of 13")
        screen.run("send-keys", "q")
        wait_for(screen, "Drugs nurse: not known")
        assert not (tmp_path / "data").exists()


@pytest.mark.slow
@sound_card
@terminal
def test_somebody_joins_in_the_middle_of_a_case(card: Card, tmp_path: Path) -> None:
    listen = f"listen --no-briefing --no-audio --cases {tmp_path / 'cases'}"
    with running(card, tmp_path, listen, 30) as screen:
        wait_for(screen, "LOG")
        screen.run("send-keys", "j")
        wait_for(screen, "SOMEBODY JOINS")
        screen.run("send-keys", "d")
        wait_for(screen, "or Drugs nurse says aloud: “yes, for this case only”")
        soundfile.write(tmp_path / "yes.wav", espeak("yes, for this case only"), 16_000)
        said_until(screen, card, tmp_path / "yes.wav", "CARD 1/13")
        for number, sound in enumerate(stretches(SAMPLES / "card-anteroom.flac")[:6], start=1):
            wait_for(screen, f"CARD {number}/13 Drugs nurse, say:")
            soundfile.write(tmp_path / "one.wav", sound, 16_000)
            said_until(screen, card, tmp_path / "one.wav", f"CARD {number + 1}/13")
        screen.run("send-keys", "j")
        wait_for(screen, "CARD OF DRUGS NURSE")
        screen.run("send-keys", "e")
        told = wait_for(screen, "agreed to be known")
        assert "REPORT" not in told  # the sentences stand in the log as speech
        assert "(while a card was" in told
        (case,) = (tmp_path / "cases").iterdir()
        assert (case / "voices.jsonl").stat().st_mode & 0o777 == 0o600
        pressed_until(screen, "q", "END THE CASE?")
        screen.run("send-keys", "q")
        until = time.monotonic() + 30
        while (case / "voices.jsonl").exists() and time.monotonic() < until:
            time.sleep(0.2)
        assert not (case / "voices.jsonl").exists()


def read_as_asked(
    screen: Terminal, card: Card, wav: Path, sentences: Mapping[str, Samples], last: str
) -> None:
    """Say the sentence that is asked for until `last` is shown; one that was not understood is asked for
    again, up to three times."""
    said = 0
    until = time.monotonic() + 90.0
    while last not in (shown := screen.screen()):
        assert time.monotonic() < until, f"no more is asked for, and no {last!r}:\n{shown}"
        asked = ASKED.findall(shown)
        if len(asked) > said:
            place = list(sentences).index(asked[-1])
            wait_for(screen, f"] {place} of {len(sentences)}")  # the bar moves once sound comes
            soundfile.write(wav, sentences[asked[-1]], 16_000)
            card.play(wav)
            said, until = len(asked), time.monotonic() + 90.0
        time.sleep(0.2)


def said_until(screen: Terminal, card: Card, wav: Path, text: str) -> None:
    """Say a sentence, once more where it is asked for again: a busy machine loses sound."""
    for _ in range(3):
        card.play(wav)
        for _ in range(40):
            if text in screen.screen():
                return
            time.sleep(0.2)
    raise AssertionError(f"{text!r} did not come:\n{screen.screen()}")


def pressed_until(screen: Terminal, key: str, text: str) -> None:
    """Press a key until it does something: one just after a dialog has closed is the rest of a word."""
    for _ in range(10):
        time.sleep(1.5)
        screen.run("send-keys", key)
        for _ in range(15):
            if text in screen.screen():
                return
            time.sleep(0.2)
    raise AssertionError(f"{text!r} did not come:\n{screen.screen()}")


def wait_for(screen: Terminal, text: str) -> str:
    """The screen once it shows a text."""
    until = time.monotonic() + 90.0
    while time.monotonic() < until:
        shown = screen.screen()
        if text in shown:
            return shown
        time.sleep(0.2)
    raise AssertionError(f"{text!r} did not come:\n{screen.screen()}")
