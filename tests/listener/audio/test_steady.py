"""Times stay in step with a steady clock, whatever a sound card's crystal and a computer's lid do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from listener.audio.blocks import BLOCK, Block
from listener.audio.clock_drift import SteadyClock, one_less, one_more
from listener.audio.samples import SAMPLE_RATE, Samples

BLOCK_S = BLOCK / SAMPLE_RATE


class Card:
    """A sound card on a simulated clock, whose blocks come late by chance."""

    def __init__(self, ppm: float = 0.0, seed: int = 1) -> None:
        self.now = 1000.0
        self._ppm = ppm
        self._rng = np.random.default_rng(seed)
        self._true = self.now

    def clock(self) -> float:
        return self.now

    def blocks(self, seconds: float) -> Iterator[Block]:
        """Blocks of a level sound, for so long by the card's own count."""
        sound = np.full((BLOCK, 1), 100, dtype=np.int16)
        for number in range(round(seconds / BLOCK_S)):
            self._true += BLOCK_S / (1.0 + self._ppm * 1e-6)
            self.now = max(self.now, self._true + self._rng.exponential(0.02))
            yield Block(number * BLOCK_S, sound)

    def sleep(self, seconds: float) -> None:
        self._true += seconds
        self.now += seconds


def run(card: Card, steady: SteadyClock, seconds: float) -> tuple[float, float, list[Block]]:
    """(Greatest error in seconds after the first half minute, last time, blocks with a loss)."""
    worst, lost, end, began = 0.0, [], 0.0, card.now
    for number, block in enumerate(steady.blocks(card.blocks(seconds))):
        assert block.t >= end - 1e-9, "times never run backwards"
        end = block.t + len(block.samples) / SAMPLE_RATE
        if block.lost_s:
            lost.append(block)
        if number > 30 / BLOCK_S:
            worst = max(worst, abs(end - (card._true - began)))
    return worst, end, lost


@pytest.mark.parametrize("ppm", [-200, 0, 200])
def test_a_crystal_200_ppm_off_for_an_hour_moves_times_by_less_than_100_ms(ppm: float) -> None:
    card = Card(ppm)
    steady = SteadyClock(card.clock)
    worst, end, lost = run(card, steady, 3600)
    assert abs(steady._added) == pytest.approx(abs(ppm) * 1e-6 * 3600 * SAMPLE_RATE, abs=500)
    assert worst < 0.1
    assert end == pytest.approx(3600 / (1 + ppm * 1e-6), abs=0.1)
    assert not lost


def test_a_card_that_is_right_is_left_nearly_alone() -> None:
    card = Card()
    steady = SteadyClock(card.clock)
    run(card, steady, 600)
    assert abs(steady._added) < 0.01 * SAMPLE_RATE


def test_a_computer_that_slept_leaves_a_gap_of_its_length_and_no_time_is_lost() -> None:
    card = Card()
    steady = SteadyClock(card.clock)
    began = card.now
    first = list(steady.blocks(card.blocks(60)))
    card.sleep(300)
    then = list(steady.blocks(card.blocks(60)))
    (lost,) = [block for block in then if block.lost_s]
    assert lost.lost_s == pytest.approx(300, abs=0.1)
    assert lost.t < 370, "noticed within seconds"
    assert then[-1].t + 0.1 == pytest.approx(card._true - began, abs=0.1)
    assert not any(block.lost_s for block in first)


def test_a_busy_moment_that_catches_up_is_no_gap() -> None:
    card = Card()
    steady = SteadyClock(card.clock)
    list(steady.blocks(card.blocks(60)))
    card.now += 20  # nobody took blocks meanwhile; they come all at once
    after = list(steady.blocks(card.blocks(120)))
    assert not any(block.lost_s for block in after)
    assert after[-1].t + 0.1 == pytest.approx(180, abs=0.1)


def test_sound_that_waited_in_a_buffer_at_first_is_no_gap() -> None:
    card = Card()
    card.now += 2
    steady = SteadyClock(card.clock)
    found = list(steady.blocks(card.blocks(60)))
    assert not any(block.lost_s for block in found)
    assert found[-1].t + 0.1 == pytest.approx(60, abs=0.1)


@pytest.mark.parametrize(("rate", "off"), [(44_100, -0.081), (48_000, 0.0), (50_000, 0.042)])
def test_a_device_at_another_rate_than_it_says_is_noticed(rate: int, off: float) -> None:
    card = Card((rate / 48_000 - 1) * 1e6)
    steady = SteadyClock(card.clock)
    seen = [steady.rate_off for _ in steady.blocks(card.blocks(15))]
    first = next(one for one in seen if one is not None)
    assert first == pytest.approx(off, abs=0.005)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_sample_more_or_less_is_where_it_is_not_heard(channels: int) -> None:
    t = np.arange(BLOCK) / SAMPLE_RATE
    tone = (8000 * np.sin(2 * np.pi * 440 * t)).astype(np.int16)
    sound: Samples = np.repeat(tone[:, np.newaxis], channels, axis=1)
    steepest = np.abs(np.diff(sound.astype(int), axis=0)).max()
    for changed, count in ((one_more(sound), BLOCK + 1), (one_less(sound), BLOCK - 1)):
        assert changed.shape == (count, channels)
        assert np.abs(np.diff(changed.astype(int), axis=0)).max() <= steepest, "no click"
