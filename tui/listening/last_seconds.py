"""The last seconds of a running case played again, from the file that is still being written."""

from __future__ import annotations

import time
from collections.abc import Callable

from grammar.errors import UserError
from listener.audio.playback import Loudspeaker
from listener.audio.samples import Samples
from listener.storage.case_reader import StoredCase

AFTER_S = 0.5
"""How long the room still sounds of what was played."""


def play_again(
    stored: StoredCase,
    start: float,
    end: float,
    speaker: Callable[[Callable[[float, float], Samples], float, float], Loudspeaker] = Loudspeaker,
) -> None:
    """Play from `start` to `end`, seconds on the case's clock, and return when it is over.

    The file can be read up to its last flush, one second ago at most. Raises UserError where nothing of it
    is kept or nothing can be heard.
    """
    if not stored.sound(start, end).any():
        raise UserError("no sound is kept of the last ten seconds")
    playing = speaker(stored.sound, end, start)
    try:
        playing.play()
        while playing.playing:
            time.sleep(0.02)
    finally:
        playing.close()
