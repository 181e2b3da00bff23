"""How alike a voice and a member's voice are, as a probability, and that it is nobody's of the team.

A print is turned and shortened by linear discriminant analysis, so that what differs between people
counts and what differs between sentences of one does not. Its cosine with each member's is then set
against those with a cohort of voices (adaptive symmetric score normalisation: S. Cumani et al.,
"Comparison of speaker recognition approaches for real applications", Interspeech 2011), and becomes a
share by a logistic model. The cohort is invented: drawn from the spread of voices, nobody's print is
shipped. `voice-space.npz` is made by `python -m listener.training.voice_space`, which says on whom it was
fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.team.speaker_encoder.encoder import Voiceprint, unit
from listener.team.voice_frames import Floats

NEAREST: Final = 120
"""So many of the cohort, the nearest, a score is set against."""
LEAST_S: Final = 0.3
"""Shorter speech is not compared."""
SHORTEST_S: Final = 0.5
"""Shorter speech is no less sure than this."""
LONGEST_S: Final = 4.0
"""Longer speech is no surer than this."""

Shares = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sureness:
    """The logistic model: a member's log-odds against a stranger's are
    (`scale` + `scale_longer` x) score - (`offset` + `offset_longer` x), x the logarithm of the seconds,
    less how much stricter it is made: by `stricter_short` at `SHORTEST_S`, by `stricter_long` from a second
    on, by a part of both between."""

    scale: float
    scale_longer: float
    offset: float
    offset_longer: float
    stricter_short: float = 0.0
    stricter_long: float = 0.0

    def shares(self, scores: Shares, seconds: float) -> Shares:
        """Return the share of each member, shape as `scores`: (..., members). The rest of 1 is nobody's."""
        x = np.log(min(max(seconds, SHORTEST_S), LONGEST_S))
        long = min(1.0, 1.0 - x / np.log(SHORTEST_S))
        stricter = self.stricter_short * (1.0 - long) + self.stricter_long * long
        odds = (self.scale + self.scale_longer * x) * scores - (
            self.offset + self.offset_longer * x + stricter
        )
        raised = np.exp(np.clip(odds, -40.0, 40.0))
        return np.asarray(raised / (1.0 + raised.sum(axis=-1, keepdims=True)), np.float64)


@dataclass(frozen=True, slots=True)
class VoiceSpace:
    """Where prints lie. Arrays: `centre` (d,), `turned` (d, k), `cohort` (n, k)."""

    centre: Floats
    turned: Floats
    cohort: Floats
    sureness: Sureness

    def place(self, prints: Floats) -> Floats:
        """Return where prints lie, shape (..., d) to (..., k), each of length 1."""
        return unit(np.asarray((prints - self.centre) @ self.turned, np.float32))

    def member(self, prints: Sequence[Voiceprint]) -> Floats:
        """Return where a member lies whose sentences have these prints; at least one."""
        return unit(self.place(np.stack(prints)).mean(axis=0))

    def scores(self, spoken: Floats, members: Floats) -> Shares:
        """Return how alike voices that lie at `spoken` (n, k) and members (m, k) are, shape (n, m)."""
        own, theirs = self._usual(spoken), self._usual(members)
        alike = spoken @ members.T
        one = (alike - own[0][:, np.newaxis]) / own[1][:, np.newaxis]
        other = (alike - theirs[0]) / theirs[1]
        return np.asarray(0.5 * (one + other), np.float64)

    def shares(self, spoken: Voiceprint, members: Floats, seconds: float) -> Shares:
        """Return how likely each member (m, k) spoke what has this print and took so long."""
        scores = self.scores(self.place(spoken[np.newaxis]), members)[0]
        return self.sureness.shares(scores, seconds)

    def _usual(self, places: Floats) -> tuple[Floats, Floats]:
        """Return mean and spread of the cosines with the nearest of the cohort, each (n,)."""
        near = np.partition(places @ self.cohort.T, -NEAREST, axis=-1)[..., -NEAREST:]
        return near.mean(axis=-1), np.maximum(near.std(axis=-1), 1e-4)


@cache
def shipped_space() -> VoiceSpace:
    """Return the one that fits the shipped encoder."""
    with as_file(files("listener.team") / "voice-space.npz") as path, np.load(path) as stored:
        found = {name: stored[name].astype(np.float32) for name in stored.files}
    return VoiceSpace(
        found["centre"],
        found["turned"],
        unit(found["cohort"]),
        Sureness(*map(float, found["sureness"])),
    )
