"""Teams drawn by chance from known speakers: who of five spoke, and who was a stranger."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grammar.case.speaker import KNOWN
from grammar.errors import UserError
from listener.bench.known_speakers import known_speakers, parts
from listener.bench.spoken_prints import SpokenPrint, by_speaker, card_and_rest, spoken_prints
from listener.team.voice_space import Sureness, VoiceSpace, shipped_space

Doubles = NDArray[np.float64]

TEAM: Final = 5
TEAMS: Final = 200
TRAINED_ON: Final = ("speechocean762-", "LibriSpeech-")
"""Sources of which only the speakers whose part is `judge` judge."""
LONG_S: Final = 1.0
_STRANGERS: Final = 60
"""Of each team so many utterances of strangers are tried."""
_DRAWN: Final = 1000


@dataclass(frozen=True, slots=True)
class Trials:
    """Utterances (n,) beside teams: each with the scores of the five (n, 5)."""

    scores: Doubles
    seconds: Doubles
    who: NDArray[np.int64]
    """Which of the five spoke; -1 for a stranger."""
    speaker: NDArray[np.int64]
    """A number for each person, to draw people by."""

    def shares(self, sureness: Sureness) -> Doubles:
        """Return the share of each of the five, (n, 5)."""
        pairs = zip(self.scores, self.seconds, strict=True)
        return np.stack([sureness.shares(scores, seconds) for scores, seconds in pairs])


def trials(
    space: VoiceSpace, prints: Sequence[SpokenPrint], teams: int = TEAMS, seed: int = 2
) -> Trials:
    """Draw teams of five. Raises UserError where fewer than six people have enough recordings."""
    people = {name: card_and_rest(each) for name, each in by_speaker(prints).items()}
    enrolled = [name for name, (card, _) in people.items() if card]
    if len(enrolled) <= TEAM:
        raise UserError(f"{len(enrolled)} speakers have enough recordings: {TEAM + 1} are needed.")
    members = np.stack([space.member([one.print for one in people[n][0]]) for n in enrolled])
    tests = [one for _, rest in people.values() for one in rest]
    scores = space.scores(space.place(np.stack([one.print for one in tests])), members)
    number = {name: at for at, name in enumerate(people)}
    speaker = np.array([number[one.speaker] for one in tests])
    numbers = np.array([number[name] for name in enrolled])
    seconds = np.array([one.seconds for one in tests])
    chance = np.random.default_rng(seed)
    rows, columns, who = [], [], []
    for _ in range(teams):
        team = chance.choice(len(enrolled), TEAM, replace=False)
        here = np.full(len(tests), -1)
        for at, member in enumerate(team):
            here[speaker == numbers[member]] = at
        strangers = np.flatnonzero(here < 0)
        some = chance.choice(strangers, min(_STRANGERS, len(strangers)), replace=False)
        taken = np.concatenate([np.flatnonzero(here >= 0), some])
        rows.append(taken)
        columns.append(np.tile(team, (len(taken), 1)))
        who.append(here[taken])
    chosen = np.concatenate(rows)
    return Trials(
        scores[chosen[:, np.newaxis], np.concatenate(columns)],
        seconds[chosen],
        np.concatenate(who).astype(np.int64),
        speaker[chosen],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A share with its 95 % interval, of people drawn again and again (bootstrap)."""

    share: float
    low: float
    high: float
    people: int
    utterances: int

    def as_dict(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        found: dict[str, Any] = {
            name: round(getattr(self, name), 4) for name in ("share", "low", "high")
        }
        return found | {"people": self.people, "utterances": self.utterances}


@dataclass(frozen=True, slots=True)
class TeamFigures:
    """Speakers told under one condition, of utterances of one length."""

    right: Rate
    another: Rate
    """Told as another member."""
    strangers: Rate
    """Strangers told as a member."""
    best: Rate
    """The likeliest of the five is right, whether named or not."""


def figures_of(found: Trials, sureness: Sureness, *, long: bool) -> TeamFigures:
    """Return the figures of utterances of a second and longer, or of shorter ones."""
    shares = found.shares(sureness)
    named, right = shares.max(1) >= KNOWN, shares.argmax(1) == found.who
    length = (found.seconds >= LONG_S) == long
    members, strangers = length & (found.who >= 0), length & (found.who < 0)

    def rate(event: NDArray[np.bool_], of: NDArray[np.bool_]) -> Rate:
        return _rate(event[of], found.speaker[of])

    return TeamFigures(
        right=rate(named & right, members),
        another=rate(named & ~right, members),
        strangers=rate(named, strangers),
        best=rate(right, members),
    )


def _rate(event: NDArray[np.bool_], speaker: NDArray[np.int64], seed: int = 3) -> Rate:
    people, which = np.unique(speaker, return_inverse=True)
    counts, hits = np.bincount(which), np.bincount(which, weights=event)
    drawn = np.random.default_rng(seed).integers(0, len(people), (_DRAWN, len(people)))
    shares = hits[drawn].sum(1) / counts[drawn].sum(1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return Rate(
        share=float(event.mean()),
        low=float(low),
        high=float(high),
        people=len(people),
        utterances=len(event),
    )


def bench_team(
    folder: Path, conditions: Sequence[str], progress: Callable[[str], None], every: int = 1
) -> Mapping[str, tuple[TeamFigures, TeamFigures]]:
    """Return, by condition, the figures of longer and of shorter utterances, of each `every`-th speaker.
    Raises UserError."""
    people = known_speakers(folder)
    part = parts(people)
    judges = {
        name: each
        for name, each in people.items()
        if not name.startswith(TRAINED_ON) or part[name] == "judge"
    }
    judges = {name: judges[name] for name in list(judges)[::every]}
    space = shipped_space()
    figures = {}
    for condition in conditions:
        found = trials(space, spoken_prints(judges, condition, progress))
        figures[condition] = tuple(
            figures_of(found, space.sureness, long=long) for long in (True, False)
        )
    return {name: (long, short) for name, (long, short) in figures.items()}


def team_page(figures: Mapping[str, tuple[TeamFigures, TeamFigures]]) -> str:
    """Return the figures as a table in Markdown."""
    lines = [
        "| | members told rightly | told as another | strangers told as a member | likeliest is right |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, (long, short) in figures.items():
        for words, one in (("1 s and longer", long), ("shorter", short)):
            cells = (one.right, one.another, one.strangers, one.best)
            lines.append(f"| {name}, {words} | {' | '.join(map(_cell, cells))} |")
    first = next(iter(figures.values()))[0]
    lines += [
        "",
        f"Teams of {TEAM}, {TEAMS} drawn by chance of {first.right.people} speakers; strangers are"
        f" {first.strangers.people} speakers. Per cent, with 95 % intervals (people drawn again).",
    ]
    return "\n".join(lines)


def _cell(rate: Rate) -> str:
    return f"{100 * rate.share:.1f} ({100 * rate.low:.1f}–{100 * rate.high:.1f})"
