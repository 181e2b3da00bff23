"""Watches the sound for what would make hearing or its times worse, and says so in a sentence."""

from __future__ import annotations

import time

from listener.blocks import Source
from listener.steady import steady_s
from listener.watch.channels import Swapped
from listener.watch.clipping import Clipping
from listener.watch.clock import ClockSet
from listener.watch.device import Device
from listener.watch.silence import Silence
from listener.watch.watching import Watch, Watching

__all__ = ["Watch", "Watching", "watching"]


def watching(source: Source) -> Watching:
    """The watches that fit a source."""
    watches: list[Watch] = [Clipping(), Silence(), Device(source)]
    if source.channels > 1:
        watches.append(Swapped())
    if source.live:
        watches.append(ClockSet(steady_s, time.time))
    return Watching(watches)
