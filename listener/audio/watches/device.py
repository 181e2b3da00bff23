"""What a source itself knows to be wrong: a microphone that is away or changed its rate."""

from __future__ import annotations

from listener.audio.blocks import Block, Source


class Device:
    """Says what the source says."""

    what = "device"

    def __init__(self, source: Source) -> None:
        self._source = source

    def look(self, _block: Block) -> str:
        return str(getattr(self._source, "trouble", ""))
