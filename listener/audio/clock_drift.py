"""Keeps sound in step with a steady clock, so that times are right to the last hour of a case.

A sound card counts its samples by a crystal of its own, which may be off by some 200 parts in a million:
0.7 s an hour. The recording, the times of facts and the case's clock are all counted in samples; so the
samples themselves are kept in step: one more or one less, where the sound is smoothest, a few times a
second at most. Where the clock runs ahead by far more, sound was lost or the computer slept: that is a gap.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Final

import numpy as np

from listener.audio.blocks import BLOCK, BLOCKS_A_SECOND, Block
from listener.audio.samples import SAMPLE_RATE, Samples

WINDOW: Final = 10 * BLOCKS_A_SECOND
"""Blocks, ten seconds. A busy computer brings blocks late, nothing brings them early: the least
late one counts."""

_PER_BLOCK: Final = BLOCK // 800
"""Samples put in or taken out of a block at most: 0.1 %, more than any crystal is off."""

_GAP_WINDOW_S: Final = 3.0
"""Blocks must come late for this long before sound counts as lost."""

GAP_S: Final = 0.5
"""A step of the clock greater than this is a gap, or sound that had been waiting somewhere."""

_RATE_OFF: Final = 0.01
"""A rate further off than this is another rate: 44 100 for 48 000 is 8 % off."""

_PART: Final = WINDOW // 5
"""Blocks of each part: the least late ones at the beginning, the middle and the end give two slopes."""

_AGREE: Final = 0.01
"""The two slopes may differ by this much: they differ more where sound stalls and catches up."""


def steady_s() -> float:
    """Return the seconds of a clock that nobody sets. It goes on in sleep where the system has such
    a clock."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


class SteadyClock:
    """Puts blocks of a live source on the steady clock `clock`, in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._late: deque[float] = deque(maxlen=WINDOW)
        self._learning = WINDOW
        self._least = 0.0
        """Delay of the least late block when all was in step, seconds."""
        self._came = 0
        """Samples that have come."""
        self._added = 0
        """Samples put in, less those taken out."""
        self._at = 0
        """Samples given, and those that were lost between."""
        self._lost_s = 0.0
        self._since: deque[tuple[float, float]] = deque()
        """Times at which blocks of the last seconds came, and their delays, seconds."""
        self._rate: deque[tuple[float, float]] = deque(maxlen=WINDOW)
        """Delay of each block, had the rate been right and nothing been put in, and its end in the
        sound, seconds. A device at another rate than ours brings blocks of unequal length."""

    @property
    def rate_off(self) -> float | None:
        """Return how far the rate of the last ten seconds is off, as a share, 0 where it is right; None
        while that is unknown."""
        if len(self._rate) < WINDOW:
            return None
        rate = list(self._rate)
        parts = [min(rate[:_PART]), min(rate[2 * _PART : 3 * _PART]), min(rate[-_PART:])]
        early, late = (
            (late - before) / (at - at_before)
            for (before, at_before), (late, at) in pairwise(parts)
        )
        off = 1.0 / (1.0 + (early + late) / 2) - 1.0
        return off if abs(off) > _RATE_OFF and abs(early - late) < _AGREE else 0.0

    def restart_rate(self) -> None:
        """Measure the rate anew."""
        self._rate.clear()

    def blocks(self, blocks: Iterator[Block]) -> Iterator[Block]:
        """Yield the same sound in step; where some was lost, the next block's `t` is later by its
        length."""
        for block in blocks:
            lost = self._measure(len(block.samples))
            samples = self._corrected(block.samples)
            self._at += lost
            lost_s = block.lost_s + lost / SAMPLE_RATE
            for start in range(0, len(samples), BLOCK):
                part = samples[start : start + BLOCK]
                yield Block(self._at / SAMPLE_RATE, part, lost_s)
                self._at, lost_s = self._at + len(part), 0.0

    def _measure(self, count: int) -> int:
        """Take note that `count` samples have come now. Returns how many samples were lost before
        them."""
        now = self._clock()
        self._came += count
        came_s = self._came / SAMPLE_RATE
        self._rate.append((now - came_s, came_s))
        late = now - (self._came + self._added) / SAMPLE_RATE - self._lost_s
        self._late.append(late)
        self._since.append((now, late))
        while self._since[0][0] < now - _GAP_WINDOW_S - 0.2:
            self._since.popleft()
        if self._learning:
            self._learning -= 1
            self._least = min(self._late)
            return 0
        if min(self._late) < self._least - GAP_S:
            # What had been waiting in some buffer since the beginning has caught up.
            self._least = min(self._late)
        step = min(late for _, late in self._since) - self._least
        if step < GAP_S or self._since[0][0] > now - _GAP_WINDOW_S:
            return 0
        lost = round(step * SAMPLE_RATE)
        self._lost_s += lost / SAMPLE_RATE
        self._late.clear()
        self._since.clear()
        self.restart_rate()
        return lost

    def _corrected(self, samples: Samples) -> Samples:
        if len(self._late) < WINDOW or len(samples) < 8:
            return samples
        behind = (min(self._late) - self._least) * SAMPLE_RATE
        for _ in range(_PER_BLOCK):
            if abs(behind) < 1.0:
                break
            step = 1 if behind > 0 else -1
            samples = one_more(samples) if step > 0 else one_less(samples)
            self._added += step
            behind -= step
            # What is late already has been put right too.
            self._late = deque((late - step / SAMPLE_RATE for late in self._late), WINDOW)
        return samples


def one_more(samples: Samples) -> Samples:
    """Return shape (n + 1, channels): one sample is put in where the sound is smoothest."""
    at = _smoothest(samples)
    between = (samples[at].astype(np.int32) + samples[at + 1]) // 2
    more: Samples = np.insert(samples, at + 1, between.astype(np.int16), axis=0)
    return more


def one_less(samples: Samples) -> Samples:
    """Return shape (n - 1, channels): one sample is taken out where the sound is smoothest."""
    less: Samples = np.delete(samples, _smoothest(samples) + 1, axis=0)
    return less


def _smoothest(samples: Samples) -> int:
    return int(np.abs(np.diff(samples.astype(np.int32), axis=0)).sum(axis=1).argmin())
