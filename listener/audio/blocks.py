"""Blocks of 50 ms, which every source of sound yields, on one clock of samples.

That clock counts samples from the source's beginning, so it never drifts from the recording.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from listener.audio.samples import SAMPLE_RATE, Samples

BLOCKS_A_SECOND: Final = 20
"""Short blocks let a pause be noticed soon after it began."""
BLOCK: Final = SAMPLE_RATE // BLOCKS_A_SECOND
"""Samples of a block."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A stretch of sound: `t` seconds from the beginning of the source, `samples` int16 of shape
    (n, channels), n at most `BLOCK`."""

    t: float
    samples: Samples
    lost_s: float = 0.0
    """Sound that a microphone lost just before this block, seconds; zeros stand in its place."""


class Source(Protocol):
    """A stream of blocks at `rate` samples a second."""

    name: str
    """Its name in words."""
    channels: int
    rate: int
    live: bool
    """Whether the sound happens now, so that waiting for it takes as long as it lasts."""

    def blocks(self) -> Iterator[Block]:
        """Yield the sound from its beginning. Call once."""
        ...


def paced(
    blocks: Iterator[Block], sleep: Callable[[float], None], clock: Callable[[], float]
) -> Iterator[Block]:
    """Yield the same blocks at real speed: each comes when its last sample would have been spoken.

    `clock` counts seconds steadily, as `time.monotonic` does. Time lost elsewhere is caught up.
    """
    began = clock()
    for block in blocks:
        wait = began + block.t + len(block.samples) / SAMPLE_RATE - clock()
        if wait > 0:
            sleep(wait)
        yield block


def reblocked(pieces: Iterator[Samples]) -> Iterator[Block]:
    """Yield pieces of any length, shape (n, channels), as blocks of `BLOCK` samples and a shorter
    last one."""
    at = 0
    kept: Samples | None = None
    for piece in pieces:
        kept = piece if kept is None else np.concatenate([kept, piece])
        while len(kept) >= BLOCK:
            yield Block(at / SAMPLE_RATE, kept[:BLOCK])
            kept, at = kept[BLOCK:], at + BLOCK
    if kept is not None and len(kept):
        yield Block(at / SAMPLE_RATE, kept)
