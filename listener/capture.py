"""Takes sound as it comes, in a thread of its own, so that slow hearing never loses any.

Sound of a live source waits in memory without limit until it is heard; a file is read only a little
ahead.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Any, Final, cast

from grammar.case.facts import Warned
from listener.audio.blocks import Block, Source
from listener.audio.watches import Watching
from listener.storage.recording_thread import RecordingThread

_AHEAD: Final = 20
"""Blocks that a file is read ahead."""

_STALLED_S: Final = 3.0
"""A live stream that brings nothing for this long has stalled."""

_LOOK_S: Final = 0.5
"""Seconds between two looks whether someone wants to end, while no sound comes."""


@dataclass(frozen=True, slots=True, eq=False)
class Captured:
    """A block on the case's clock, with the warnings of the watches at it."""

    block: Block
    warnings: Sequence[Warned]


class Capture:
    """Sound of one source, taken, recorded and watched. Its blocks come out once, in order."""

    def __init__(
        self,
        source: Source,
        recorder: RecordingThread | None,
        watching: Watching,
        *,
        begins_s: float = 0.0,
        taken: Callable[[], None] = lambda: None,
    ) -> None:
        """`begins_s` is where on the case's clock the source's first sample lies. `taken` is called in the
        capturing thread once a block has been taken, however far hearing is."""
        self.now = begins_s
        """Seconds on the case's clock up to which sound has come."""
        self.stalled = False
        """Whether a live source brings nothing at the moment."""
        self.over = False
        """Whether the source has ended: no more sound comes."""
        self.dropped = False
        """Whether blocks that were taken come out no more."""
        self._source = source
        self._recorder = recorder
        self._watching = watching
        self._begins_s = begins_s
        self._taken = taken
        self._stopped = False
        self._waiting: queue.Queue[Captured | Exception | None] = queue.Queue(
            0 if source.live else _AHEAD
        )

    def blocks(self) -> Iterator[Captured]:
        """Yield blocks until the source ends or `stop` is called. Raises the errors of the source."""
        threading.Thread(target=self._capture, name="capturing", daemon=True).start()
        waited_s = 0.0
        while not self.dropped:
            try:
                found = self._waiting.get(timeout=_LOOK_S)
            except queue.Empty:
                waited_s += _LOOK_S
                self.stalled = self._source.live and waited_s >= _STALLED_S
                if self._stopped:
                    return  # the source may wait for sound that never comes
                continue
            waited_s, self.stalled = 0.0, False
            if found is None:
                return
            if isinstance(found, Exception):
                raise found
            yield found

    def stop(self, *, drop: bool = False) -> None:
        """Take no more sound; blocks that have been taken still come out. With `drop` they do not: the
        recording alone keeps them."""
        self._stopped = True
        self.dropped = self.dropped or drop

    def _capture(self) -> None:
        try:
            with closing(cast("Any", self._source.blocks())) as blocks:
                for block in blocks:
                    if self._stopped:
                        break
                    self._take(replace(block, t=self._begins_s + block.t))
        except Exception as error:
            self._end(error)
        else:
            self._end(None)

    def _end(self, failure: Exception | None) -> None:
        self.over = True
        self._waiting.put(failure)

    def _take(self, block: Block) -> None:
        if self._recorder:
            self._recorder.put(block.t, block.samples)
        warnings = self._watching.look(block)
        self.now = block.t + len(block.samples) / self._source.rate
        self._waiting.put(Captured(block, warnings))
        self._taken()
