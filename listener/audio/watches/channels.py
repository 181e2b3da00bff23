"""Finds channels that changed places, as when a sound card is plugged in again.

Channels are told apart by the noise of each: its floor in a dozen bands. Two that sound alike
cannot be told apart, and nothing is said of them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.blocks import Block
from listener.audio.noise_floor import BANDS, frame_energies

_PART: Final = 30
"""Blocks, three seconds: within them speech leaves every band for a moment."""
_LEARNT: Final = 10
"""Parts, half a minute, until a channel's floor is known."""
_FOLLOW: Final = 0.05
"""A known floor follows the present one by this share each part: rooms change slowly."""
_APART_DB: Final = 6.0
"""Floors closer than this, on average over the bands, are alike."""
_SURE: Final = 4
"""Parts in a row, twelve seconds, that must look changed over."""


class ChannelSwap:
    """Watches whether two channels were swapped: each has the noise floor that was the other's."""

    what = "channels"

    def __init__(self) -> None:
        self._part: list[NDArray[np.float64]] = []
        self._known: NDArray[np.float64] | None = None
        """Shape (channels, BANDS), dB."""
        self._parts = 0
        self._suspect: dict[tuple[int, int], int] = {}

    def look(self, block: Block) -> str:
        """Return a sentence where two channels seem to have been swapped, see `Watch.look`."""
        channels = range(block.samples.shape[1])
        energies = [frame_energies(block.samples[:, channel]) for channel in channels]
        if all(len(one) for one in energies):
            self._part.append(np.array([one.min(axis=0) for one in energies]))
        if len(self._part) == _PART:
            self._compare(np.min(self._part, axis=0))
            self._part = []
        sure = [pair for pair, parts in self._suspect.items() if parts >= _SURE]
        if not sure:
            return ""
        one, two = sure[0]
        return (
            f"channels {one + 1} and {two + 1} seem to have changed places: check who speaks where"
        )

    def _compare(self, floors: NDArray[np.float64]) -> None:
        assert floors.shape[1] == BANDS
        if self._known is None:
            self._known = floors
        self._parts += 1
        known = self._known
        for one in range(len(floors)):
            for two in range(one + 1, len(floors)):
                straight = _distance(floors[one], known[one]) + _distance(floors[two], known[two])
                crossed = _distance(floors[one], known[two]) + _distance(floors[two], known[one])
                looks = (
                    self._parts > _LEARNT
                    and _distance(known[one], known[two]) >= _APART_DB
                    and crossed + _APART_DB < straight
                )
                self._suspect[one, two] = self._suspect.get((one, two), 0) + 1 if looks else 0
        if not any(self._suspect.values()):
            share = _FOLLOW if self._parts > _LEARNT else 1.0 / self._parts
            self._known = known + share * (floors - known)


def _distance(one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
    return float(np.abs(one - two).mean())
