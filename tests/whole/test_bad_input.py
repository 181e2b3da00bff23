"""Streams that are odd, broken off, stalled or no sound at all, and keys pressed at random."""

from __future__ import annotations

import io
import os
import threading
import time
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.errors import UserError
from listener.audio.blocks import BLOCK
from listener.audio.samples import SAMPLE_RATE
from listener.audio.sources import RawPcm
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded
from listener.audio.watches import watching
from listener.capture import Capture
from tests.tools.fuzz_keys import press


class Dribbling(io.RawIOBase):
    """A pipe that gives what it likes of what it is asked for."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces = [piece for piece in pieces if piece]

    def read(self, size: int = -1) -> bytes:
        if not self._pieces:
            return b""
        first = self._pieces[0]
        self._pieces[0] = first[size:]
        if not self._pieces[0]:
            self._pieces.pop(0)
        return first[:size]


@given(st.lists(st.binary(max_size=9000), max_size=12))
@settings(deadline=None, max_examples=150)
def test_every_whole_sample_of_any_bytes_comes_once_on_an_unbroken_clock(
    pieces: list[bytes],
) -> None:
    whole = b"".join(pieces)
    source = RawPcm(cast("io.BufferedReader", Dribbling(pieces)))
    if len(whole) < 2:
        with pytest.raises(UserError, match="No audio came"):
            list(source.blocks())
        return
    watch, segmenter, open_segments, at = watching(source), Segmenter(), 0, 0
    came = b""
    for block in source.blocks():
        assert block.t == at / SAMPLE_RATE
        assert 0 < len(block.samples) <= BLOCK
        at += len(block.samples)
        came += block.samples.astype("<i2").tobytes()
        watch.look(block)
        for event in segmenter.push(block.samples[:, 0]):
            open_segments += isinstance(event, SpeechBegan) - isinstance(event, SpeechEnded)
    for event in segmenter.flush():
        open_segments += isinstance(event, SpeechBegan) - isinstance(event, SpeechEnded)
    assert came == whole[: len(whole) // 2 * 2]
    assert open_segments == 0


@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 100, 32767]))
@settings(deadline=None, max_examples=10)
def test_noise_of_any_loudness_is_cut_into_segments_that_end(seed: int, peak: int) -> None:
    sound = np.random.default_rng(seed).integers(-peak, peak + 1, 3 * SAMPLE_RATE).astype(np.int16)
    sound[SAMPLE_RATE : SAMPLE_RATE + 8000] = peak
    segmenter = Segmenter()
    events = [
        event for at in range(0, len(sound), 777) for event in segmenter.push(sound[at : at + 777])
    ]
    events += segmenter.flush()
    kinds = [type(event) for event in events if isinstance(event, SpeechBegan | SpeechEnded)]
    assert kinds[::2] == [SpeechBegan] * (len(kinds) // 2)
    assert kinds[1::2] == [SpeechEnded] * (len(kinds) // 2)


def test_a_stream_that_stops_in_the_middle_is_said_and_can_be_ended() -> None:
    reading, writing = os.pipe()
    with os.fdopen(reading, "rb") as sound, os.fdopen(writing, "wb", buffering=0) as pipe:
        source = RawPcm(sound)
        capture = Capture(source, None, watching(source))
        taken: list[float] = []
        hearing = threading.Thread(
            target=lambda: taken.extend(one.block.t for one in capture.blocks())
        )
        hearing.start()
        pipe.write(bytes(2 * BLOCK * 5))
        end = time.monotonic() + 20
        while not capture.stalled:
            assert time.monotonic() < end, "nobody noticed"
            time.sleep(0.05)
        assert len(taken) == 5
        pipe.write(bytes(2 * BLOCK))
        while capture.stalled:
            assert time.monotonic() < end
            time.sleep(0.05)
        capture.stop()
        hearing.join(timeout=20)
        assert not hearing.is_alive()
        assert len(taken) == 6


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_keys_pressed_at_random_raise_nothing(seed: int) -> None:
    assert await press(seed, 40) > 0
