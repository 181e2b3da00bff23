"""Read-backs heard from synthetic voices: no order changes them, and clashing digits leave doubt."""

from __future__ import annotations

import numpy as np
import pytest

from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.hearing import Caught, Ear
from listener.recognition.engines import choose
from tests.support.speech import espeak, flite


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


def spoken(*parts: Samples) -> Samples:
    pause = np.zeros(SAMPLE_RATE, np.int16)
    return np.concatenate([pause, *(piece for part in parts for piece in (part, pause))])


@pytest.fixture(scope="module")
def ear(protocol: Protocol, tmp_path_factory: pytest.TempPathFactory) -> Ear:
    engine = choose("vosk", network(protocol), protocol.pronunciations)
    return Ear(protocol, engine, tmp_path_factory.mktemp("cases"))


VALUE = {"seventeen": 17, "seventy": 70, "fifteen": 15, "fifty": 50}
WRONG = [
    ("seventeen", "seventy"),
    ("seventy", "seventeen"),
    ("fifteen", "fifty"),
    ("fifty", "fifteen"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("ordered", "answered"), WRONG)
def test_a_wrong_read_back_is_heard_as_it_was_said_whatever_the_order_makes_likely(
    ear: Ear, ordered: str, answered: str
) -> None:
    """By sound: an order of 17 read back as 70, and the other way round; likewise 15 and 50."""
    sound = spoken(
        espeak(f"drugs nurse, give {ordered} milligrams of ketamine", "en-gb"),
        espeak(f"ketamine {answered} milligrams, copy", "en-gb+f2"),
    )
    order, answer = ear.hear(sound)
    assert order.said.slots["amount"] == VALUE[ordered]
    assert answer.said.slots["amount"] == VALUE[answered]
    assert "differs" in answer.said.flags or answer.said.unsure, "it never closes the order"


@pytest.mark.slow
@pytest.mark.parametrize("voice", ["slt", "rms"])
def test_no_order_changes_how_a_read_back_is_heard(ear: Ear, voice: str) -> None:
    """In voices of a poorer kind: rightly or not, the same after whatever order, and after none.

    All parts last whole seconds, and the pauses are longer than the segmenter remembers: the very same
    samples are heard, as a poor "fifty" may turn by a shift of some milliseconds.
    """
    order = {said: espeak(f"drugs nurse, give {said} milligrams of ketamine") for said in VALUE}
    for twin, answered in WRONG:
        answer = flite(f"ketamine {answered} milligrams, copy", voice)
        (alone,) = ear.hear(in_whole_seconds(answer))
        for ordered in (twin, answered):
            after = ear.hear(in_whole_seconds(order[ordered], answer))[-1]
            assert after.said.text == alone.said.text, (ordered, answered)
            assert after.said.meaning == alone.said.meaning, (ordered, answered)
            assert of_the_first(after) == of_the_first(alone), (ordered, answered)


def of_the_first(caught: Caught) -> dict[str, float]:
    """The evidence that the first listener gives."""
    return {name: value for name, value in caught.evidence if name not in ("second", "against")}


def in_whole_seconds(*parts: Samples) -> Samples:
    pause = np.zeros(5 * SAMPLE_RATE, np.int16)
    padded = [np.pad(part, (0, -len(part) % SAMPLE_RATE)) for part in parts]
    return np.concatenate([pause, *(piece for part in padded for piece in (part, pause))])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("said", "amount", "conflict"),
    [
        ("fifteen, one five", 15, False),
        ("fifty, five zero", 50, False),
        ("fifteen, five zero", None, True),
    ],
)
def test_digits_said_as_well_settle_a_pair_and_those_that_clash_are_marked(
    ear: Ear, said: str, amount: int | None, conflict: bool
) -> None:
    (caught,) = ear.hear(spoken(espeak(f"give ketamine {said} milligrams")))
    assert ("number-conflict" in caught.said.flags) == conflict
    assert "sounds-like" not in caught.said.flags or conflict
    if amount:
        assert caught.said.slots["amount"] == amount
    else:
        assert caught.said.unsure
