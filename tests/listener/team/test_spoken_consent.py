"""Only a whole, clear yes is a yes: synthetic voices say it and what is near to it, people other things."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from listener.audio.blocks import Block, reblocked
from listener.audio.samples import Samples
from listener.bench.clips import read_mono
from listener.recognition.sure_ear import SureHearing
from listener.team.spoken_consent import UNCLEAR, ConsentEar, spoken_answer
from tests.support.speech import espeak, flite
from tui.commands.card_consent import SpokenConsent, ask_consent
from tui.commands.console import Console

PEOPLE = Path(__file__).parents[4] / "shared" / "human-speech" / "wake-words"


@cache
def ear() -> ConsentEar:
    return ConsentEar(None)


class Writes:
    """A sure ear that writes a text freely."""

    name = "a sure ear of the tests"

    def __init__(self, free: str) -> None:
        self._free = free

    def hear(self, samples: Samples) -> SureHearing:
        return SureHearing((), self._free, -1.0, 4, len(samples) / 16_000, -9.0)


@pytest.mark.parametrize("voice", ["en-gb", "en-us"])
@pytest.mark.parametrize(
    ("text", "answer"),
    [("yes, keep my voice", "keep"), ("yes, for this case only", "case"), ("no", "no")],
)
def test_a_clear_answer_is_heard(voice: str, text: str, answer: str) -> None:
    assert ear().answer(espeak(text, voice)) == answer


@pytest.mark.parametrize(
    "text",
    [
        "yes",
        "keep my voice",
        "no keep my voice",
        "do not keep my voice",
        "yes keep your voice",
        "yes keep my place",
        "yes keep my voice out of it",
        "yesterday they kept my voice",
        "not for this case only",
        "is this case the only one",
        "ketamine in",
    ],
)
def test_anything_near_to_a_yes_is_none(text: str) -> None:
    for sound in (espeak(text), espeak(text, "en-us"), flite(text), flite(text, "rms")):
        assert ear().answer(sound) in (None, "no")


def test_where_both_ears_listen_both_must_hear_the_same_yes() -> None:
    yes = espeak("yes, keep my voice")
    assert ConsentEar(Writes("yes keep my voice")).answer(yes) == "keep"
    for other in ("yes keep my noise", "", "no", "yes for this case only"):
        assert ConsentEar(Writes(other)).answer(yes) is None
    assert ConsentEar(Writes("yes keep my voice")).answer(espeak("no")) == "no"


@pytest.mark.skipif(not PEOPLE.is_dir(), reason="needs ../shared/human-speech")
def test_people_who_say_other_things_say_no_yes() -> None:
    for path in sorted(PEOPLE.glob("*.ogg"))[::40]:
        sound = np.rint(read_mono(path) * 32767).astype(np.int16)
        assert ear().answer(sound) in (None, "no"), path.name


def blocks(*sounds: Samples) -> Iterator[Block]:
    silence = np.zeros(16_000, np.int16)
    parts = [silence, *(part for sound in sounds for part in (sound, silence, silence))]
    return reblocked(iter([np.concatenate(parts)[:, np.newaxis]]))


def test_who_never_says_a_clear_yes_has_said_no() -> None:
    told: list[int] = []
    other = espeak("ketamine in")
    found = spoken_answer(blocks(*[other] * 5), ear(), lambda: None, lambda: told.append(1))
    assert found == "no"
    assert len(told) == UNCLEAR
    assert spoken_answer(blocks(), ear(), lambda: None, lambda: None) == "no"


def test_a_typed_answer_counts_as_ever() -> None:
    lines = iter([None] * 30 + ["yes Kim"])
    yes = espeak("yes, keep my voice")
    assert spoken_answer(blocks(yes, yes), ear(), lines.__next__, lambda: None) == ":yes Kim"


class Room:
    """A microphone in whose room a sentence is said."""

    name, channels, rate, live = "a room", 1, 16_000, True

    def __init__(self, text: str) -> None:
        self._text = text

    def blocks(self) -> Iterator[Block]:
        return blocks(espeak(self._text))


@pytest.mark.parametrize(
    ("text", "case", "agreed"),
    [
        ("yes, keep my voice", False, (True, "Outside 2")),
        ("yes, keep my voice", True, (True, "Outside 2")),
        ("yes, for this case only", True, (True, "")),
        ("yes, for this case only", False, (False, "")),  # there is no case to be known in
        ("no", True, (False, "")),
        ("copy", True, (False, "")),
    ],
)
def test_it_is_asked_and_heard_at_the_card(text: str, case: bool, agreed: tuple[bool, str]) -> None:
    out, (read, write) = io.StringIO(), os.pipe()
    with os.fdopen(read) as lines, os.fdopen(write, "w"):
        console = Console(lines, out)
        assert console.waits
        spoken = SpokenConsent(ear(), Room(text), "Outside 2")
        assert ask_consent(console, "Outside", spoken, case=case) == agreed
    assert "or say:" in out.getvalue()
