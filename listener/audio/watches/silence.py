"""Finds a channel on which nothing at all comes: muted, unplugged, a radio that is off."""

from __future__ import annotations

from typing import Final

from listener.audio.blocks import Block
from listener.audio.voice_activity import level_dbfs

_SILENT_DBFS: Final = -75.0
"""No microphone in a room is as quiet as this; about 6 steps of 16 bits."""
_AFTER_S: Final = 120.0


class Silence:
    """Watches whether a channel has been silent for two minutes."""

    what = "silence"

    def __init__(self) -> None:
        self._since: dict[int, float] = {}

    def look(self, block: Block) -> str:
        """Return a sentence where a channel has been silent for too long, see `Watch.look`."""
        silent = []
        for channel in range(block.samples.shape[1]):
            if level_dbfs(block.samples[:, channel]) > _SILENT_DBFS:
                self._since.pop(channel, None)
            elif block.t - self._since.setdefault(channel, block.t) >= _AFTER_S:
                silent.append(channel + 1)
        if not silent:
            return ""
        on = "" if block.samples.shape[1] == 1 else f" on channel {', '.join(map(str, silent))}"
        return (
            f"nothing at all has come{on} for two minutes: is the microphone muted or a radio off"
        )
