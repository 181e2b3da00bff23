"""A sound card that turns to another rate than it says, as a system may when something else is plugged in.

PortAudio's place is taken by a card on a clock of its own: no such card can be plugged in for a test.
"""

from __future__ import annotations

import queue
from contextlib import AbstractContextManager, nullcontext
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from listener.audio import microphone
from listener.audio.microphone import CapturedSound, Microphone
from listener.audio.watches import watching

SAYS = 48_000
PIECE = np.full((SAYS // 10, 1), 100, dtype=np.int16)


class Card:
    """What `sounddevice` is to a microphone."""

    PortAudioError = RuntimeError

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self.opened = 0
        self.now = 0.0

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def query_devices(self, *_: object) -> dict[str, Any]:
        return {"name": "card", "default_samplerate": SAYS}

    def check_input_settings(self, *, samplerate: int, **_: object) -> None:
        if samplerate != SAYS:
            raise RuntimeError("not at this rate")

    def InputStream(self, **_: object) -> AbstractContextManager[None]:
        self.opened += 1
        return nullcontext()

    def _terminate(self) -> None: ...

    def _initialize(self) -> None: ...

    def SimpleQueue(self) -> Card:
        return self

    def get(self, **_: float) -> CapturedSound:
        """The next piece, for which one waits as long as the card takes."""
        self.now += len(PIECE) / self.rate
        return CapturedSound(PIECE, self.now, lost=False)


def test_another_rate_is_said_in_the_log_and_on_the_screen_until_it_is_right_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    card = Card(44_100)
    monkeypatch.setattr(microphone, "portaudio", lambda: card)
    waiting = SimpleNamespace(SimpleQueue=card.SimpleQueue, Empty=queue.Empty)
    monkeypatch.setattr(microphone, "queue", waiting)
    heard = Microphone(clock=lambda: card.now, sleep=card.sleep)
    watches, warned, end = watching(heard), [], 0.0
    for number, block in enumerate(heard.blocks()):
        assert block.t >= end - 1e-9, "times never run backwards"
        end = block.t + len(block.samples) / 16_000
        warned += watches.look(block)
        if number == 400:
            # The crystal of a card that says 48 000 and gives 44 100 is 8.1 % off.
            assert "the microphone's sample rate is -8 % off: choose it anew" in watches.troubles
            card.rate = SAYS
        if number > 900:
            break
    assert [one.what for one in warned if "rate" in one.text] == ["device"]
    assert card.opened == 2, "once more may help, and again and again would not"
    assert not heard.trouble
