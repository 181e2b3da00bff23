"""Fits bounds of doubt to a team from its cards, whose truth is known.

Of each sentence that was told without a doubt it is known how sure the ear was and whether it was right.
One number for each ear, log-odds taken off its confidence, is fitted to two thirds of each card by the
largest posterior: the likelihood of right and wrong, and a normal prior around the bounds that ship (Platt
scaling with the slope held: J. Platt, "Probabilistic outputs for support vector machines", 1999). It never
makes an ear surer than it is, so no error that was marked becomes a silent one. The third that is kept
aside decides by its likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Final

from listener.recognition.calibration import DoubtBounds, less_sure
from listener.recognition.vosk_recogniser import FITTED_MODEL, OUR_MODEL

PRIOR: Final = 1.0
"""Spread of the prior, log-odds; set beforehand, fitted to nobody."""
STRICTEST: Final = 4.0
STEP: Final = 0.05
FEWEST: Final = 8
"""Sentences to fit to without which the bounds that ship stand."""
_LEAST: Final = 1e-3
_SHOWN: Final = 0.85
"""A confidence by which the strictness is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A sentence of a card that an ear told without a doubt."""

    ear: str
    """The engine's name; `BOTH` for both ears together."""
    confidence: float
    right: bool
    bound: float
    """The protocol's bound of doubt for it (`unsure_below`): what is surer is not marked."""
    aside: bool
    """Whether it is of the third that decides."""


BOTH: Final = "both ears"


@dataclass(frozen=True, slots=True)
class FittedBound:
    """The bound of doubt that was fitted for one ear, and what it came to."""

    _: KW_ONLY
    stricter: float
    """Log-odds taken off; 0 where the bound that ships stands."""
    tried: float
    """Log-odds that were fitted, whether they are used or not."""
    of: int
    """Sentences kept aside."""
    silent_before: int
    """Of them, those told wrong and unmarked, by the bound that ships."""
    silent_after: int
    marked_before: int
    """Of them, those told rightly and marked all the same."""
    marked_after: int

    @property
    def in_words(self) -> str:
        """The outcome, a clause."""
        if not self.tried:
            return "the bounds of doubt that ship stand: the cards ask for none stricter"
        if not self.stricter:
            return (
                "the bounds of doubt that ship stand: stricter ones, fitted to the cards, foretold the"
                f" {self.of} sentences kept aside no better"
            )
        as_sure = less_sure(_SHOWN, self.stricter)
        return (
            f"stricter bounds of doubt for this team ({100 * _SHOWN:.0f} % sure counts as"
            f" {100 * as_sure:.0f} %): of {self.of} sentences kept aside"
            f" {self.silent_after} wrong and unmarked, before {self.silent_before};"
            f" {self.marked_after} right and marked, before {self.marked_before}"
        )


def fit_bound(weighed: Sequence[Weighed]) -> FittedBound | None:
    """Return how strict the bound of one ear is to be; None where the sentences are too few."""
    rest = [one for one in weighed if not one.aside]
    aside = [one for one in weighed if one.aside]
    if len(rest) < FEWEST or not aside:
        return None
    steps = [STEP * number for number in range(round(STRICTEST / STEP) + 1)]
    tried = max(steps, key=lambda by: _likelihood(rest, by) - by**2 / (2 * PRIOR**2))
    stricter = tried if _likelihood(aside, tried) > _likelihood(aside, 0.0) else 0.0
    silent, marked = (
        [_count(aside, by, right=right) for by in (0.0, stricter)] for right in (False, True)
    )
    return FittedBound(
        stricter=round(stricter, 2),
        tried=round(tried, 2),
        of=len(aside),
        silent_before=silent[0],
        silent_after=silent[1],
        marked_before=marked[0],
        marked_after=marked[1],
    )


@dataclass(frozen=True, slots=True)
class FittedBounds:
    """The bounds of both ears; None where the sentences were too few."""

    quick: FittedBound | None
    both: FittedBound | None

    @property
    def bounds(self) -> DoubtBounds:
        """The bounds to hear the team with."""
        return DoubtBounds(*(one.stricter if one else 0.0 for one in (self.quick, self.both)))

    @property
    def in_words(self) -> str:
        """The outcome, a line; "" where nothing was tried."""
        told = (("the quick ear", self.quick), (BOTH, self.both))
        return "; ".join(f"{name}: {one.in_words}" for name, one in told if one)


def bounds_of(weighed: Iterable[Weighed], quick: str) -> FittedBounds:
    """Return the bounds for members' cards where the engine `quick` is the quick ear. A network fitted to
    the team takes those of the one that ships: it has learned the sentences by which they are fitted.
    """
    every, name = list(weighed), OUR_MODEL if quick == FITTED_MODEL else quick
    return FittedBounds(
        fit_bound([one for one in every if one.ear == name]),
        fit_bound([one for one in every if one.ear == BOTH]),
    )


def _likelihood(weighed: Sequence[Weighed], by: float) -> float:
    """Return the logarithm of the likelihood of what was right and what was wrong."""
    found = 0.0
    for one in weighed:
        share = less_sure(min(max(one.confidence, _LEAST), 1 - _LEAST), by)
        found += math.log(max(share if one.right else 1 - share, _LEAST / 10))
    return found


def _count(weighed: Sequence[Weighed], by: float, *, right: bool) -> int:
    """Return how many are right and marked, or wrong and unmarked."""
    told = [(one.right, less_sure(one.confidence, by) < one.bound) for one in weighed]
    return sum(good == right and marked == right for good, marked in told)
