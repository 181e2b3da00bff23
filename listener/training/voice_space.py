"""Fits `listener/team/voice-space.npz`: how prints are turned, the invented cohort, and how sure a score
is.

    python -m listener.training.voice_space FOLDER [--strictness] [--into FILE]

FOLDER holds recordings of known speakers (`listener/bench/known_speakers.py`). Speakers whose part is
`train` fit the turning; those whose part is `bounds`, whom the encoder has not seen, fit how sure a score
is; `--strictness` fits only how strict it is with strangers. Those whose part is `judge` are left alone.
Prints what was fitted.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import astuple, replace
from pathlib import Path
from typing import Final

import numpy as np
from scipy.linalg import eigh
from scipy.optimize import minimize

from listener.bench.known_speakers import known_speakers, parts
from listener.bench.spoken_prints import SpokenPrint, spoken_prints
from listener.bench.team_trials import Doubles, Trials, figures_of, team_page, trials
from listener.team.speaker_encoder.encoder import unit
from listener.team.voice_space import LONGEST_S, SHORTEST_S, Sureness, VoiceSpace, shipped_space

CONDITIONS: Final = ("clean", "radio")
KEPT: Final = 144
"""Directions that are kept."""
_COHORT: Final = 400
_SMOOTHED: Final = 1.0
"""Share of its mean variance that is added to each direction: few people are few."""
STRANGERS: Final = {True: 0.012, False: 0.025}
"""Of strangers at most this share may be taken for a member, in the worst condition: of utterances of a
second and longer, and of shorter ones. With 0.015 a synthetic stranger of a sample drill was doubtful."""
_STEP: Final = 0.05


def space_of(trained: Sequence[SpokenPrint], seed: int = 1) -> VoiceSpace:
    """Return the turning and the invented cohort from prints of many people."""
    people = sorted({one.speaker for one in trained})
    number = {name: at for at, name in enumerate(people)}
    prints = np.stack([one.print for one in trained]).astype(np.float64)
    whose = np.array([number[one.speaker] for one in trained])
    centre = prints.mean(0)
    prints = prints - centre
    means = np.stack([prints[whose == at].mean(0) for at in range(len(people))])
    apart = prints - means[whose]
    within = apart.T @ apart / len(apart)
    within += _SMOOTHED * np.trace(within) / len(within) * np.eye(len(within))
    _, turned = eigh(np.cov(means.T), within)
    turned = turned[:, ::-1][:, :KEPT]
    placed = unit((prints @ turned).astype(np.float32)).astype(np.float64)
    usual = np.stack([placed[whose == at].mean(0) for at in range(len(people))])
    usual /= np.linalg.norm(usual, axis=1, keepdims=True)
    chance = np.random.default_rng(seed)
    cohort = chance.multivariate_normal(usual.mean(0), np.cov(usual.T), _COHORT)
    return VoiceSpace(
        centre.astype(np.float32),
        turned.astype(np.float32),
        unit(cohort.astype(np.float32)),
        Sureness(1.0, 0.0, 4.0, 0.0),
    )


def fitted(by_condition: Mapping[str, Trials]) -> Sureness:
    """Return the model of greatest likelihood, then made stricter until few enough strangers are named."""
    every = by_condition.values()
    scores, seconds, who = (
        np.concatenate([getattr(one, name) for one in every])
        for name in ("scores", "seconds", "who")
    )
    x = np.log(np.clip(seconds, SHORTEST_S, LONGEST_S))

    def loss(values: Doubles) -> float:
        odds = (values[0] + values[1] * x)[:, None] * scores - (values[2] + values[3] * x)[:, None]
        whole = np.concatenate([np.zeros((len(odds), 1)), odds], axis=1)
        most = whole.max(1, keepdims=True)
        norm = most[:, 0] + np.log(np.exp(whole - most).sum(1))
        return float((norm - whole[np.arange(len(whole)), who + 1]).mean())

    best = minimize(loss, np.array([2.0, 0.0, 8.0, 0.0]), method="Nelder-Mead").x
    return bounded(by_condition, Sureness(*map(float, best)))


def bounded(by_condition: Mapping[str, Trials], likeliest: Sureness) -> Sureness:
    """Return the model as strict as it must be for few enough strangers to be named, and no stricter:
    utterances of a second and longer, and shorter ones, apart."""
    found = likeliest

    def named(*, long: bool) -> float:
        every = by_condition.values()
        return max(figures_of(one, found, long=long).strangers.share for one in every)

    for long in (True, False):
        field = "stricter_long" if long else "stricter_short"
        while named(long=long) > STRANGERS[long]:
            found = replace(found, **{field: getattr(found, field) + _STEP})
        while named(long=long) <= STRANGERS[long]:
            within = found
            found = replace(found, **{field: getattr(found, field) - _STEP})
        found = within
    return found


def main() -> None:
    """Fit, write, and say what was fitted."""
    parser = argparse.ArgumentParser(description="Fit how voices are compared.")
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--strictness",
        action="store_true",
        help="only fit anew how strict it is with strangers; all else stays as it ships",
    )
    parser.add_argument("--into", type=Path, default=Path("listener/team/voice-space.npz"))
    wanted = parser.parse_args()
    people = known_speakers(wanted.folder)

    parted = parts(people)

    def part(name: str) -> dict[str, list[SpokenPrint]]:
        chosen = {who: each for who, each in people.items() if parted[who] == name}
        return {each: spoken_prints(chosen, each, _tell) for each in CONDITIONS}

    if wanted.strictness:
        space = shipped_space()
    else:
        trained = part("train")
        space = space_of([one for each in trained.values() for one in each if one.cut != "word"])
    bounds = {name: trials(space, each) for name, each in part("bounds").items()}
    sureness = fitted(bounds) if not wanted.strictness else bounded(bounds, space.sureness)
    np.savez(
        wanted.into,
        centre=space.centre,
        turned=space.turned.astype(np.float16),
        cohort=space.cohort.astype(np.float16),
        sureness=np.array(astuple(sureness)),
    )
    print(sureness)
    print(
        team_page(
            {
                name: (
                    figures_of(one, sureness, long=True),
                    figures_of(one, sureness, long=False),
                )
                for name, one in bounds.items()
            }
        )
    )


def _tell(text: str) -> None:
    print(f"\r{text}", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
