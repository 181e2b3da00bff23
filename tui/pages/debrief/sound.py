"""The sound of a moment, as a data URI that a page carries in itself."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence

import numpy as np
import soundfile

from listener.audio.playback import mono
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import StoredCase

BEFORE_S, AFTER_S = 0.3, 0.5
LONGEST_S = 60.0
"""Of one clip: enough for a call, the silence of its whole window, and an answer after it."""


def clip(stored: StoredCase, stretches: Sequence[tuple[float, float]]) -> str:
    """Return the sound of these stretches (seconds), one after the other, as Ogg Vorbis.

    A part that two of them share is heard once. Empty where there is no sound: none kept, purged, or
    nothing but zeros.
    """
    if not stored.sounds or not stretches:
        return ""
    pieces = []
    left = LONGEST_S
    for first, end in _joined(stretches):
        last = min(end, first + left)
        if last <= first:
            break
        pieces.append(mono(stored.sound(first, last)))
        left -= last - first
    whole = np.concatenate(pieces)
    if not whole.any():
        return ""
    file = io.BytesIO()
    soundfile.write(file, whole, SAMPLE_RATE, format="OGG", subtype="VORBIS")
    return f"data:audio/ogg;base64,{base64.b64encode(file.getvalue()).decode()}"


def _joined(stretches: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the stretches in order of time with a little sound around each; those that touch as one."""
    found: list[tuple[float, float]] = []
    for start, end in sorted(stretches):
        first, last = max(start - BEFORE_S, 0.0), end + AFTER_S
        if found and first <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], last)
        else:
            found.append((first, last))
    return found
