"""A breath of speech, cut into the utterances it holds."""

from __future__ import annotations

import random

import pytest

from grammar.language.parse import BREATH_S, Understanding
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol


@pytest.fixture(scope="module")
def understanding() -> Understanding:
    return Understanding(load_protocol("isolation-airway"))


def spoken(text: str, start: float = 0.0) -> list[Word]:
    """Words 0.3 s long; "/" is a breath that is long enough for another voice."""
    found, t = [], start
    for token in text.split():
        if token == "/":
            t += BREATH_S + 0.1
        else:
            found.append(Word(token, t, t + 0.3))
            t += 0.3
    return found


@pytest.mark.parametrize(
    ("breath", "pieces"),
    [
        ("sats ninety four heart rate one ten", ["sats ninety four", "heart rate one ten"]),
        (
            "sats ninety four heart rate one ten pressure one thirty over eighty",
            ["sats ninety four", "heart rate one ten", "pressure one thirty over eighty"],
        ),
        ("tube passed cuff up clamp off", ["tube passed", "cuff up", "clamp off"]),
        ("room ready / copy", ["room ready", "copy"]),
        ("room ready copy", ["room ready copy"]),
        ("copy / rocuronium in", None),
        (
            "give seventy milligrams of ketamine / seventy milligrams of ketamine",
            ["give seventy milligrams of ketamine", "seventy milligrams of ketamine"],
        ),
        ("give fifteen / one five milligrams of ketamine", None),
        ("[unk] [unk] room ready [unk]", ["[unk] [unk]", "room ready", "[unk]"]),
        ("give quickly seventy milligrams of ketamine", None),
    ],
)
def test_a_breath_is_cut_where_utterances_end(
    understanding: Understanding, breath: str, pieces: list[str] | None
) -> None:
    words = spoken(breath)
    whole = [" ".join(word.text for word in words)]
    cuts = [" ".join(word.text for word in cut) for cut in understanding.utterances(words)]
    assert cuts == (whole if pieces is None else pieces)


def test_cutting_loses_and_moves_no_word(understanding: Understanding) -> None:
    rng = random.Random(2)
    whole = "sats ninety four copy / room ready [unk] give seventy of ketamine over tube in"
    heard = whole.split()
    for _ in range(200):
        words = spoken(" ".join(rng.choices(heard, k=rng.randrange(1, 14))))
        cuts = understanding.utterances(words)
        assert [word for cut in cuts for word in cut] == words
        assert all(cuts)
