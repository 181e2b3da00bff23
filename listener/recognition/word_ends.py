"""When words end, by their sound.

A network of spikes fires inside a phone and is silent after a word's last one, which may be an unreleased
or a drawn-out sound: the "v" of "five" can go on for 0.3 s. A pause between two words, which tells an
answer from a comma, would seem so much longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from grammar.language.words import Word
from listener.audio.noise_floor import FRAME, frame_energies, levels_of
from listener.audio.samples import SAMPLE_RATE, Samples

_FRAME_S = FRAME / SAMPLE_RATE

LATER_S = 0.3
"""A word is taken to end so much later at most."""

FADES_DB = 20.0
"""A sound this far below the word's loudest is its dying away in the room."""

CLEAR_DB = 10.0
"""The pause must lie this far below the word: else noise hides where it begins."""


def ended_by_sound(words: Sequence[Word], samples: Samples) -> tuple[Word, ...]:
    """Return the words of a segment, shape (n,), each but the last to its audible end.

    No word ends sooner than it did, nor after the next one's start. Times count from the first sample.
    """
    if len(words) < 2:
        return tuple(words)
    levels = levels_of(frame_energies(samples))
    later = [
        replace(word, end=round(max(word.end, _end(levels, word, following)), 3))
        for word, following in pairwise(words)
    ]
    return (*later, words[-1])


def _end(levels: NDArray[np.float64], word: Word, following: Word) -> float:
    """Return where the level between two words has fallen half way, or by `FADES_DB`; the word's own end
    where there is no pause to be seen."""
    first, last, begins = (round(at / _FRAME_S) for at in (word.start, word.end, following.start))
    spoken, between = levels[first : last + 1], levels[last:begins]
    if not len(spoken) or not len(between):
        return word.end
    loud, quiet = float(spoken.max()), float(between.min())
    if loud - quiet < CLEAR_DB:
        return word.end
    fallen = np.flatnonzero(between < max((loud + quiet) / 2, loud - FADES_DB))
    later = min(float(fallen[0]) * _FRAME_S, LATER_S)
    return min(word.end + later, following.start)
