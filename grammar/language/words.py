"""A heard word, and when it was said."""

from __future__ import annotations

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid", allow_inf_nan=False))
class Word:
    """One heard word. `start` and `end` in seconds on the case's clock, `confidence` 0 to 1."""

    text: str
    start: float
    end: float
    confidence: float = 1.0
