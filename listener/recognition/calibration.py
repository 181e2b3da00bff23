"""How an engine's evidence is weighed: a logistic model, fitted to that engine's own answers.

That of our English model, and what it was fitted on, is in `confidence.toml`, that of a published
model in `confidence-NAME.toml` (`python -m listener.training calibrate` makes them).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Final

Evidence = Mapping[str, float]

STRICTER: Final = "stricter"
"""Beside the evidence of what was told: the log-odds taken off for a team, see `DoubtBounds`."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A logistic model: the log-odds are `intercept` and the sum of weight times evidence."""

    intercept: float
    weights: Mapping[str, float]
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Between which values evidence was seen; what lies beyond counts as the nearest of them."""
    least: float = 0.0
    """Bound of confidence: a less sure utterance is most often no call at all, and counts as not
    understood."""

    def knows(self, name: str) -> bool:
        """Return whether it was fitted to this evidence."""
        return name in self.weights

    def confidence(self, found: Evidence) -> float:
        """Return the probability that call and slots are right."""
        odds = self.intercept
        for name, weight in self.weights.items():
            low, high = self.bounds.get(name, (-math.inf, math.inf))
            odds += weight * min(max(found[name], low), high)
        return 1 / (1 + math.exp(-max(-30.0, min(30.0, odds))))


@dataclass(frozen=True, slots=True)
class DoubtBounds:
    """How much stricter the bounds of doubt are for a team than those that ship: log-odds, never below 0,
    that are taken off each confidence before it is told (`listener/team/doubt_fitting.py`)."""

    quick: float = 0.0
    """Of what the quick ear told alone."""
    both: float = 0.0
    """Of what both ears made of it."""


SHIPPED_BOUNDS: Final = DoubtBounds()


def less_sure(confidence: float, by: float) -> float:
    """Return a confidence, 0 to 1, with log-odds `by` taken off, rounded to four places."""
    if not by or not 0.0 < confidence < 1.0:
        return confidence
    odds = math.log(confidence / (1 - confidence)) - by
    return round(1 / (1 + math.exp(-odds)), 4)


@cache
def shipped() -> Calibration:
    """Return the calibration of our English model."""
    return _read("confidence.toml")


def of_published(model: str) -> Calibration | None:
    """Return the calibration of a published model, by its name; None where none was fitted."""
    name = f"confidence-{model}.toml"
    return _read(name) if _is_there(name) else None


@cache
def two_ears(language: str = "en") -> Calibration:
    """Return how the evidence of both ears together is weighed (`confidence/judging_two_ears.py`).

    A language has a model of its own once one was fitted (`listener/training/two_ears.py`): Whisper
    gives a Korean sentence more tokens than an English one, each of another likelihood. Until then
    the English one weighs.
    """
    own = f"confidence-two-ears-{language}.toml"
    return _read(own if _is_there(own) else "confidence-two-ears.toml")


def _is_there(name: str) -> bool:
    return files("listener.recognition").joinpath(name).is_file()


def _read(name: str) -> Calibration:
    table = tomllib.loads(files("listener.recognition").joinpath(name).read_text(encoding="utf-8"))
    return Calibration(
        table["intercept"],
        table["weights"],
        {name: (low, high) for name, (low, high) in table["bounds"].items()},
        table["least"],
    )
