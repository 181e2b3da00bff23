"""Passes on the trouble that a source itself knows of: `microphone.py` notices where one is away or changed
its rate.
"""

from __future__ import annotations

from listener.audio.blocks import Block, Source


class Device:
    """Watches the trouble that the source itself knows of."""

    what = "device"

    def __init__(self, source: Source) -> None:
        self._source = source

    def look(self, _block: Block) -> str:
        """Return the trouble of the device, see `Watch.look`."""
        return str(getattr(self._source, "trouble", ""))
