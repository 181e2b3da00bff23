"""How teams of known speakers are heard by the quick ear, before and after it was fitted to their cards.

Each person's first sentences are their card, the others unseen; of the card two thirds fit and a third
decides, as in the product (`listener/team/network_fitting.py`). A sentence is heard rightly where the
decoder, which may hear each sentence of its team or speech outside them, hears just its words. None of
them is a call: what the usual protocol's ear tells of them is counted as false calls.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from grammar.errors import UserError
from grammar.language.phrases import compile_network
from grammar.protocol.templates import Choice, parse_template
from grammar.reports.measures.shares import share
from listener.audio.samples import Samples
from listener.bench.conditions import applied
from listener.bench.known_speakers import Recording, is_apart
from listener.bench.team_doubt import (
    USUAL,
    TeamDoubt,
    doubt_page,
    false_calls,
    team_doubt,
    told_by,
)
from listener.bench.team_trials import TEAM, TRAINED_ON
from listener.recognition.lexicon import without_pronunciation
from listener.recognition.recogniser import Recogniser, heard_words
from listener.recognition.vosk_recogniser import VoskRecogniser
from listener.team.network_fitting import Spoken, fit

CARD: Final = 10
FEWEST: Final = 16
"""Sentences of a person with fewer are too few for a card and a judgement."""
WORSE: Final = 0.01
"""Of one person's sentences no greater share may be lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TeamHeard:
    """One team's unseen sentences: by person, whether each was heard rightly."""

    before: Mapping[str, tuple[bool, ...]]
    after: Mapping[str, tuple[bool, ...]]
    used: bool
    """Whether the third kept aside let the fitted network be used."""
    seconds: float
    """Processor time of the fitting, the decision included."""
    false_before: int = 0
    """Of the unseen sentences, so many were told as a call by an ear that may hear the usual protocol; 0
    where that was not tried."""
    false_after: int = 0
    doubt: TeamDoubt | None = None
    """The effect of bounds of doubt that are fitted to the same cards; None where that was not tried."""

    def as_dict(self) -> dict[str, object]:
        """Return it for JSON."""
        return asdict(self)


def readers(people: Mapping[str, Sequence[Recording]]) -> dict[str, list[Recording]]:
    """Return the people whose words are known and whom no network of ours may be trained on, each with
    their sentences that can be pronounced. Raises UserError where they are too few for a team."""
    known = {
        name: [one for one in each if one.words]
        for name, each in people.items()
        if not name.startswith(TRAINED_ON) or is_apart(f"people/{name}")
    }
    spoken = {word for each in known.values() for one in each for word in _words(one).split()}
    lacking = set(without_pronunciation(spoken, {}))
    found = {
        name: [one for one in each if not lacking & set(_words(one).split())]
        for name, each in known.items()
    }
    found = {name: each for name, each in found.items() if len(each) >= FEWEST}
    if len(found) < TEAM:
        raise UserError(f"{len(found)} people have enough sentences with words: {TEAM} are needed.")
    return found


def bench_hearing(
    people: Mapping[str, Sequence[Recording]],
    condition: str,
    progress: Callable[[str], None],
    teams: int | None = None,
    *,
    doubt_too: bool = True,
) -> list[TeamHeard]:
    """Return the figures of each team of five of the `readers`, in the order of their names.

    Without `doubt_too`, false calls and bounds of doubt are not tried: that spares a third of the work.
    """
    names = list(people)
    found: list[TeamHeard] = []
    starts = range(0, len(names) - TEAM + 1, TEAM)[:teams]
    for at in starts:
        progress(f"{condition}: hearing of team {len(found) + 1} of {len(starts)}")
        team = {name: people[name] for name in names[at : at + TEAM]}
        found.append(_team(team, condition, doubt_too=doubt_too))
    return found


def _team(team: Mapping[str, Sequence[Recording]], condition: str, *, doubt_too: bool) -> TeamHeard:
    said = {
        name: [(_words(one), _sound(one, condition, number)) for number, one in enumerate(each)]
        for name, each in team.items()
    }
    texts = sorted({words for each in said.values() for words, _ in each})
    graph = compile_network(Choice(tuple(parse_template(text) for text in texts)), {})
    usual = VoskRecogniser.ours(graph, {})
    unseen = {name: each[CARD:] for name, each in said.items()}
    told = {name: told_by(usual, each) for name, each in unseen.items()}
    before = {name: tuple(one.right for one in each) for name, each in told.items()}
    doubt, no_calls = None, list[Spoken]()
    if doubt_too:
        cards = {name: told_by(usual, each[:CARD]) for name, each in said.items()}
        doubt = team_doubt(cards, told)
        no_calls = [spoken for each in unseen.values() for spoken in each]
    false = false_calls(no_calls, None)
    began = time.process_time()
    fitted = fit([each[:CARD] for each in said.values()], graph, pronunciations={}, same=_same)
    took = time.process_time() - began
    if fitted.network is None:
        return TeamHeard(
            before=before,
            after=before,
            used=False,
            seconds=took,
            false_before=false,
            false_after=false,
            doubt=doubt,
        )
    ear = VoskRecogniser.ours(graph, {}, fitted=fitted.network)
    after = {name: _heard(ear, each) for name, each in unseen.items()}
    return TeamHeard(
        before=before,
        after=after,
        used=True,
        seconds=took,
        false_before=false,
        false_after=false_calls(no_calls, fitted.network),
        doubt=doubt,
    )


def hearing_page(heard: Mapping[str, Sequence[TeamHeard]]) -> str:
    """Return the figures by condition as a table in Markdown."""
    lines = [
        "| | wrong before | wrong after | people better | people worse | teams that use it"
        " | processor s a team | false calls before | after |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for condition, teams in heard.items():
        before = {name: each for team in teams for name, each in team.before.items()}
        after = {name: each for team in teams for name, each in team.after.items()}
        gains = [np.mean(after[name]) - np.mean(before[name]) for name in before]
        cells = (
            _wrong(before),
            _wrong(after),
            sum(gain > 0 for gain in gains),
            sum(gain < -WORSE for gain in gains),
            f"{sum(team.used for team in teams)} of {len(teams)}",
            f"{np.mean([team.seconds for team in teams]):.0f}",
            sum(team.false_before for team in teams),
            sum(team.false_after for team in teams),
        )
        lines.append(f"| {condition} | {' | '.join(map(str, cells))} |")
    teams = next(iter(heard.values()))
    people = sum(len(team.before) for team in teams)
    lines += [
        "",
        "The quick ear alone, before and after it was fitted to the team from cards of"
        f" {CARD} sentences: unseen sentences of {people} people, in per cent, with Wilson's 95 %"
        " intervals. Worse is who loses more than one sentence in a hundred. False calls: these sentences"
        f" told as a call, surely or not, by an ear that may hear the calls of {USUAL}.",
    ]
    doubts = {name: [one.doubt for one in each if one.doubt] for name, each in heard.items()}
    if any(doubts.values()):
        lines += ["", doubt_page(doubts)]
    return "\n".join(lines)


def _wrong(people: Mapping[str, Sequence[bool]]) -> str:
    every = [right for each in people.values() for right in each]
    wrong = len(every) - sum(every)
    found = share(wrong, len(every))
    bounds = f"{100 * found.low:.1f}–{100 * found.high:.1f}"
    return f"{wrong} of {len(every)}: {100 * wrong / len(every):.1f} ({bounds})"


def _heard(ear: Recogniser, said: Sequence[Spoken]) -> tuple[bool, ...]:
    return tuple(_same(heard_words(ear, sound), words) for words, sound in said)


def _same(heard: Sequence[str], words: str) -> bool:
    return " ".join(heard) == words


def _words(recording: Recording) -> str:
    return " ".join(recording.words.lower().split())


def _sound(recording: Recording, condition: str, number: int) -> Samples:
    return applied(condition, recording.pieces()[0].astype(np.float64) / 32768, number)
