"""Fits `listener/recognition/confidence.toml`: how sure an utterance is, from the evidence for it.

Logistic regression with a slight ridge, on utterances of the calibrating voices, and of people where
folders of them are named, under every condition: voices that neither train the acoustic model nor
score it. Evidence for an utterance may
not count against it, whatever some hundreds of clips make of two pieces of evidence that say nearly
the same.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

from listener.bench.clips import read_folder
from listener.bench.figures import Tally
from listener.bench.judging import Claim
from listener.bench.run import Progress, Wanted, bench, usual_conditions
from listener.recognition.calibration import Calibration

AGAINST = ("words", "noise", "against")
"""The evidence that speaks against an utterance; the other speaks for it."""
LEAST = {"en": 0.4, "ko": 0.1}
"""Bound of confidence by language: a less sure utterance is told as speech that was not understood.
English: of 1,366 utterances that confidence is fitted on, one of three in which unrelated speech
was heard as a call, and 3 of 1,300 heard rightly. Korean: 453 of 1,039 utterances, 20 of 258 heard
rightly; its published model is less sure of all that it hears, and what is above is told, but is
`unsure`."""
RIDGE = 1.0
"""Strength of the prior that draws the weights of standardised evidence to 0."""


def gather(folder: Path, every: int, progress: Progress, first: int = 0) -> list[Claim]:
    """Return every utterance that was heard, with its evidence and whether it was right.

    `first` is the number of the first clip that is heard, of `every` one; clips of orders by people are
    heard in recorded noise instead of the fan.
    """
    tallies: dict[str, Tally] = {}
    clips = read_folder(folder)[first::every]
    wanted = Wanted(conditions=usual_conditions(clips), real_pace=0, ears="quick", every_guess=True)
    bench(clips, wanted, progress, tallies)
    return [claim for tally in tallies.values() for claim in tally.claims if claim.evidence]


def fit(claims: Sequence[Claim]) -> Calibration:
    """Return the odds that an utterance is right."""
    names = [name for name, _ in claims[0].evidence]
    return weigh(claims, {name: -1.0 if name in AGAINST else 1.0 for name in names})


def weigh(claims: Sequence[Claim], signs: Mapping[str, float]) -> Calibration:
    """Return the odds that an utterance is right; no weight has another sign than its own in `signs`."""
    names = [name for name, _ in claims[0].evidence]
    raw = np.array([[value for _, value in claim.evidence] for claim in claims])
    lows, highs = np.percentile(raw, [1, 99], axis=0)
    # What is seldom anything but 0 says most where it is.
    rare = lows == highs
    lows, highs = np.where(rare, raw.min(axis=0), lows), np.where(rare, raw.max(axis=0), highs)
    raw = np.clip(raw, lows, highs)
    right = np.array([claim.right for claim in claims], float)
    mean, spread = raw.mean(axis=0), np.maximum(raw.std(axis=0), 1e-6)
    inputs = np.hstack([np.ones((len(raw), 1)), (raw - mean) / spread])
    weights = _logistic(inputs, right, np.array([0.0, *(signs.get(name, 0.0) for name in names)]))
    own = weights[1:] / spread
    return Calibration(
        float(weights[0] - own @ mean),
        dict(zip(names, map(float, own), strict=True)),
        {
            name: (float(low), float(high))
            for name, low, high in zip(names, lows, highs, strict=True)
        },
    )


def _logistic(
    inputs: NDArray[np.float64], right: NDArray[np.float64], signs: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the weights; none has another sign than its own in `signs`, 0 for either."""

    def unlikely(weights: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        odds = inputs @ weights
        drawn = RIDGE * np.concatenate([[0.0], weights[1:]])
        slope = inputs.T @ (expit(odds) - right) + drawn
        return float(np.logaddexp(0, odds).sum() - right @ odds + drawn @ weights / 2), slope

    bounds = [(0 if sign > 0 else None, 0 if sign < 0 else None) for sign in signs]
    found = minimize(
        unlikely, np.zeros(inputs.shape[1]), jac=True, bounds=bounds, method="L-BFGS-B",
        options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 1000},
    )  # fmt: skip
    return np.asarray(found.x, np.float64)


def write(path: Path, claims: Sequence[Claim], made_from: str, least: float) -> None:
    """Fit, and write the file; `least` as in `LEAST`."""
    write_calibration(
        path, fit(claims), claims=claims, step="calibrate", made_from=made_from, least=least
    )


def write_calibration(
    path: Path,
    found: Calibration,
    *,
    claims: Sequence[Claim],
    step: str,
    made_from: str,
    least: float,
) -> None:
    """Write a calibration as the step that made it; `claims` are what it was fitted to."""
    right = sum(claim.right for claim in claims)
    weights = "".join(f"{name} = {value:.4f}\n" for name, value in found.weights.items())
    bounds = "".join(
        f"{name} = [{low:.4f}, {high:.4f}]\n" for name, (low, high) in found.bounds.items()
    )
    path.write_text(
        f"# Made by `python -m listener.training {step}` from {made_from}:\n"
        f"# {len(claims)} utterances heard, {right} of them rightly.\n"
        f"least = {least}\nintercept = {found.intercept:.4f}\n\n[weights]\n{weights}\n[bounds]\n{bounds}",
        encoding="utf-8",
    )


def keep(path: Path, claims: Sequence[Claim]) -> None:
    """Write the claims as JSON lines, to fit again without hearing again."""
    with path.open("w", encoding="utf-8") as out:
        for claim in claims:
            out.write(json.dumps([claim.right, claim.evidence]) + "\n")


def kept(path: Path) -> list[Claim]:
    """Return what `keep` wrote."""
    with path.open(encoding="utf-8") as lines:
        rows = [json.loads(line) for line in lines]
    return [Claim(0.0, right, False, tuple(map(tuple, found))) for right, found in rows]
