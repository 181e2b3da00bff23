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
LONGEST_S = 20.0
"""Of one clip: enough for a call and its answer."""


def clip(stored: StoredCase, stretches: Sequence[tuple[float, float]]) -> str:
    """Return the sound of these stretches (seconds), one after the other, as Ogg Vorbis.

    Empty where there is no sound: none kept, purged, or nothing but zeros.
    """
    if not stored.sounds or not stretches:
        return ""
    pieces = []
    left = LONGEST_S
    for start, end in sorted(stretches):
        first = max(start - BEFORE_S, 0.0)
        last = min(end + AFTER_S, first + left)
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
