"""Finds sound that is too loud for its 16 bits: its peaks are cut flat."""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from listener.audio.blocks import Block
from listener.audio.samples import Samples

_RAIL: Final = 32_700
_RUN: Final = 3
"""Samples in a row at the rail that count as clipped. A peak of speech may touch it for one or two."""
_BLOCKS: Final = 100
"""Blocks that are looked at: five seconds."""
_CLIPPED: Final = 5
"""Blocks among them that must be clipped; one bang or knock clips fewer."""


class Clipping:
    """Watches whether the sound of the last five seconds was clipped again and again."""

    what = "clipping"

    def __init__(self) -> None:
        self._recent: deque[bool] = deque(maxlen=_BLOCKS)
        self._on = False

    def look(self, block: Block) -> str:
        """Return a sentence where the sound is clipped, see `Watch.look`."""
        self._recent.append(clipped(block.samples))
        count = sum(self._recent)
        self._on = count >= _CLIPPED or (self._on and count > 0)
        return "the sound is clipped: turn the input level down" if self._on else ""


def clipped(samples: Samples) -> bool:
    """Return whether a peak is cut flat in samples of shape (n, channels)."""
    for rail in (samples >= _RAIL, samples <= -_RAIL):
        if rail.any():
            runs = [rail[start : len(rail) - _RUN + 1 + start] for start in range(_RUN)]
            if np.logical_and.reduce(runs).any():
                return True
    return False
