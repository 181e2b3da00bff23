"""Watches over the sound: each finds one trouble that makes hearing or its times worse, and names
it in a sentence.
"""

from __future__ import annotations

import time

from listener.audio.blocks import Source
from listener.audio.clock_drift import steady_s
from listener.audio.watches.channels import ChannelSwap
from listener.audio.watches.clipping import Clipping
from listener.audio.watches.clock import ClockSet
from listener.audio.watches.device import Device
from listener.audio.watches.silence import Silence
from listener.audio.watches.watching import Watch, Watching

__all__ = ["Watch", "Watching", "watching"]


def watching(source: Source) -> Watching:
    """Return the watches that fit a source."""
    watches: list[Watch] = [Clipping(), Silence(), Device(source)]
    if source.channels > 1:
        watches.append(ChannelSwap())
    if source.live:
        watches.append(ClockSet(steady_s, time.time))
    return Watching(watches)
