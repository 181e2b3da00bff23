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

Evidence = Mapping[str, float]


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

    def confidence(self, found: Evidence) -> float:
        """The probability that call and slots are right."""
        odds = self.intercept
        for name, weight in self.weights.items():
            low, high = self.bounds.get(name, (-math.inf, math.inf))
            odds += weight * min(max(found[name], low), high)
        return 1 / (1 + math.exp(-max(-30.0, min(30.0, odds))))


@cache
def shipped() -> Calibration:
    """The calibration of our English model."""
    return _read("confidence.toml")


def of_published(model: str) -> Calibration | None:
    """That of a published model, by its name, where we fitted one, else None."""
    name = f"confidence-{model}.toml"
    return _read(name) if files("listener.recognition").joinpath(name).is_file() else None


@cache
def two_ears() -> Calibration:
    """How the evidence of both ears together is weighed (`confidence/two_ears.py`)."""
    return _read("confidence-two-ears.toml")


def _read(name: str) -> Calibration:
    table = tomllib.loads(files("listener.recognition").joinpath(name).read_text(encoding="utf-8"))
    return Calibration(
        table["intercept"],
        table["weights"],
        {name: (low, high) for name, (low, high) in table["bounds"].items()},
        table["least"],
    )
