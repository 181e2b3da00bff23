"""Bounds of doubt that are fitted to a team (`listener/team/doubt_fitting.py`), on its unseen sentences.

Each is told by the quick ear with a confidence, as in a case: what it holds for no call at all is not told.
The bound of doubt is that of the usual protocol for what holds a drug, a unit or a number; each sentence
counts as such, so that any other sentence is a rival at stake.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from grammar.language.meaning import Meaning, Reading, bound_of_doubt
from grammar.language.parse import understanding_of
from grammar.language.phrases import UNKNOWN, network
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE
from listener.confidence.competing_sentences import Read
from listener.confidence.evidence import told_confidence
from listener.recognition.calibration import less_sure
from listener.recognition.vosk_recogniser import OUR_MODEL, VoskRecogniser
from listener.team.doubt_fitting import Weighed, fit_bound
from listener.team.ear_comparison import ASIDE
from listener.team.network_fitting import Spoken

USUAL: Final = "isolation-airway"


@dataclass(frozen=True, slots=True)
class Told:
    """One sentence as the quick ear took it."""

    right: bool
    """Whether it heard just its words, however surely."""
    confidence: float | None
    """Of what it told; None where it told nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TeamDoubt:
    """The outcome of the bounds of doubt on one team's unseen sentences."""

    cards: int
    """Sentences of its cards that were told."""
    stricter: float
    """Log-odds taken off by the fitted bound; 0 where the one that ships stands."""
    unseen: int
    told: int
    """Unseen sentences that were told."""
    silent_before: int
    """Of them, wrong and not marked, by the bound that ships."""
    silent_after: int
    marked_before: int
    """Of them, right and marked all the same."""
    marked_after: int


def told_by(ear: VoskRecogniser, said: Sequence[Spoken]) -> tuple[Told, ...]:
    """Return how an ear takes each sentence."""
    return tuple(_told(ear, spoken, _read) for spoken in said)


def false_calls(said: Sequence[Spoken], fitted: bytes | None) -> int:
    """Return how many sentences that are no call the quick ear, as it ships or `fitted` to a team, tells as
    one where it may hear the usual protocol."""
    if not said:
        return 0
    protocol = load_protocol(USUAL)
    read = understanding_of(protocol).read
    ear = VoskRecogniser.ours(network(protocol), protocol.pronunciations, fitted=fitted)
    return sum(_told(ear, spoken, read).confidence is not None for spoken in said)


def _told(ear: VoskRecogniser, spoken: Spoken, read: Read) -> Told:
    text, sound = spoken
    hearing = ear.open()
    hearing.accept(sound)
    words = hearing.finish()
    right = " ".join(word.text for word in words) == text
    if ear.calibration is None or not any(word.text != UNKNOWN for word in words):
        return Told(right, None)
    seconds = len(sound) / SAMPLE_RATE
    sure = told_confidence(ear.calibration, words, hearing.alternatives, seconds, read)
    return Told(right, sure)


def team_doubt(
    cards: Mapping[str, Sequence[Told]], unseen: Mapping[str, Sequence[Told]]
) -> TeamDoubt:
    """Fit a bound to a team's cards, and count what it does to its unseen sentences."""
    bound = bound_of_doubt(load_protocol(USUAL).protocol, _read(["stake"]))
    weighed = [
        Weighed(
            ear=OUR_MODEL,
            confidence=one.confidence,
            right=one.right,
            bound=bound,
            aside=at % ASIDE == 0,
        )
        for card in cards.values()
        for at, one in enumerate(card)
        if one.confidence is not None
    ]
    fitted = fit_bound(weighed)
    by = fitted.stricter if fitted else 0.0
    told = [
        (one.right, one.confidence)
        for each in unseen.values()
        for one in each
        if one.confidence is not None
    ]

    def count(stricter: float, *, right: bool) -> int:
        marked = [(good, less_sure(sure, stricter) < bound) for good, sure in told]
        return sum(good == right and mark == right for good, mark in marked)

    return TeamDoubt(
        cards=len(weighed),
        stricter=by,
        unseen=sum(map(len, unseen.values())),
        told=len(told),
        silent_before=count(0.0, right=False),
        silent_after=count(by, right=False),
        marked_before=count(0.0, right=True),
        marked_after=count(by, right=True),
    )


def doubt_page(doubts: Mapping[str, Sequence[TeamDoubt]]) -> str:
    """Return the figures by condition as a table in Markdown."""
    lines = [
        "| | sentences told | wrong and not marked: before | after | right and marked: before | after"
        " | teams with stricter bounds |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for condition, teams in doubts.items():
        cells = (
            f"{sum(team.told for team in teams)} of {sum(team.unseen for team in teams)}",
            sum(team.silent_before for team in teams),
            sum(team.silent_after for team in teams),
            sum(team.marked_before for team in teams),
            sum(team.marked_after for team in teams),
            f"{sum(team.stricter > 0 for team in teams)} of {len(teams)}",
        )
        lines.append(f"| {condition} | {' | '.join(map(str, cells))} |")
    of_cards = ", ".join(str(team.cards) for teams in doubts.values() for team in teams)
    lines += [
        "",
        "Bounds of doubt of the quick ear that ships, before and after they were fitted to the cards,"
        f" on the same unseen sentences. Of each team's cards so many were told: {of_cards}.",
    ]
    return "\n".join(lines)


def _read(words: Sequence[str]) -> Meaning:
    """Return the meaning of a sentence outside any protocol: itself, and it is at stake."""
    return Meaning("call", (Reading("sentence", {"drug": " ".join(words)}),))
