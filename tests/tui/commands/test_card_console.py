"""A card at a terminal: words are not cut at its edge, and whoever hesitates is asked again."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator

import numpy as np
import pytest

from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from listener.audio.blocks import Block, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.engines import choose
from listener.team.card_reading import PATIENCE_S
from listener.team.ear_comparison import QuickEars
from tests.support.places import SAMPLES
from tests.support.speech import stretches
from tui.commands.card_console import TRIES, CardRead, Ears, read_cards
from tui.commands.console import Console
from tui.text.speakers import VOICE_NOTICE

PROTOCOL = load_protocol("isolation-airway")


class Terminal(io.StringIO):
    """Lines that are written to a terminal 80 columns wide."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 1


@pytest.fixture
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "get_terminal_size", lambda _handle: os.terminal_size((80, 24)))


@pytest.mark.usefixtures("_narrow")
def test_what_is_said_of_voices_takes_two_whole_lines_of_a_terminal() -> None:
    out = Terminal()
    Console(io.StringIO(), out).say(VOICE_NOTICE)
    lines = out.getvalue().splitlines()
    assert len(lines) == 2
    assert all(len(line) <= 80 for line in lines)
    assert " ".join(line.strip() for line in lines) == VOICE_NOTICE


@pytest.mark.usefixtures("_narrow")
def test_the_bar_is_gone_before_a_line_or_a_question() -> None:
    for goes_on in (
        lambda console: console.say("kept"),
        lambda console: console.ask("may your voice be known?"),
        lambda console: console.clear_bar(),
    ):
        out = Terminal()
        console = Console(io.StringIO("\n"), out)
        console.bar(13, 13, 0.0)
        goes_on(console)
        assert "q end\r\033[K" in out.getvalue()


class Room:
    """A microphone in whose room a sentence is said after a silence, and then nothing more."""

    name, channels, rate, live = "a room", 1, SAMPLE_RATE, True

    def __init__(self, silent_s: float, sound: Samples) -> None:
        self._silent_s, self._sound = silent_s, sound

    def blocks(self) -> Iterator[Block]:
        before = np.zeros((round(self._silent_s * SAMPLE_RATE), 1), np.int16)
        after = np.zeros((round(TRIES * (PATIENCE_S + 1.0) * SAMPLE_RATE), 1), np.int16)
        return reblocked(iter((before, self._sound[:, np.newaxis], after)))


def test_whoever_hesitates_is_asked_for_the_same_sentence_and_silence_ends_the_card() -> None:
    first = stretches(SAMPLES / "card-outside.flac")[0]
    room, out, cards = Room(PATIENCE_S + 2.0, first), io.StringIO(), list[CardRead]()
    quick = choose("auto", network(PROTOCOL), PROTOCOL.pronunciations)
    ears = Ears(PROTOCOL, quick, None, QuickEars(PROTOCOL, quick))
    lines = io.StringIO("yes\n")
    read_cards(
        ears, ["outside"], lambda _: room, console=Console(lines, out), done=cards.append, case=True
    )
    told = [line for line in out.getvalue().splitlines() if line.startswith(("say: ", "  "))]
    assert told[0] == told[2] != told[4]
    assert told[1].startswith("  nobody spoke")
    assert told[3] == "  understood (quick ear)"
    assert told[-1] == "  nobody reads: the card is ended"
    assert len([line for line in told if line.startswith("say: ")]) == 2 + TRIES
    assert cards[0].member is None
