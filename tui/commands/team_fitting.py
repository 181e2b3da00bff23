"""Fits the quick ear's network to a team whose cards were read, says what came of it, and keeps it as long
as their voices."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from grammar.language.parse import understanding_of
from grammar.language.phrases import network
from grammar.protocol.model import Protocol
from listener.confidence.judging_two_ears import same_meaning
from listener.team.fitted_store import FittedNetwork
from listener.team.member import Member, bounds_for
from listener.team.network_fitting import Fitting, Spoken, fingerprint, fit, shipped_network
from tui.commands.card_console import CardRead
from tui.commands.console import Console

UNDER_WAY: Final = (
    "the quick ear, which hears each call at once, is fitted to the team, about a minute"
)


def fit_team(
    protocol: Protocol, cards: Sequence[CardRead], console: Console
) -> FittedNetwork | None:
    """Fit our English network to the members known from these cards, the newest card of each, and say what
    came of it. Returns None where it is not used. Raises UserError for a word without a pronunciation."""
    read = {name_of(card.member): card for card in cards if card.member}
    if protocol.protocol.language != "en" or not read:
        return None
    understands = understanding_of(protocol).read

    def same(heard: Sequence[str], words: str) -> bool:
        return same_meaning(understands, heard, words.split())

    if len(read) > 1:
        console.say(UNDER_WAY)
    found = fit(
        [_spoken(card) for card in read.values()],
        network(protocol),
        pronunciations=protocol.pronunciations,
        same=same,
        told=_bar(console),
    )
    console.say(told(found))
    if found.network is None:
        return None
    made_of = fingerprint(shipped_network())
    names = tuple(read)
    return FittedNetwork(
        names=names,
        shipped=made_of,
        before=found.before,
        after=found.after,
        of=found.of,
        network=found.network,
    )


def tell_bounds(cards: Sequence[CardRead], quick: str, console: Console) -> None:
    """Say what came of fitting the bounds of doubt to the members known from these cards, by the engine
    `quick`, which heard them. They hold wherever these voices are known."""
    fitted = bounds_for([card.member for card in cards if card.member], quick)
    if fitted.in_words:
        console.say(fitted.in_words)


def told(found: Fitting) -> str:
    """Return what came of a fitting, in a sentence."""
    if not found.of:
        return (
            "the quick ear was not fitted to the team: that takes the cards of two members or more"
        )
    counts = f"{found.after}, before {found.before}, of {found.of} sentences kept aside understood"
    if found.network is None:
        return f"fitted to the team: {counts}; it does not hear them better, and is not used"
    return f"fitted to the team: {counts}; the quick ear so fitted listens to them"


def name_of(member: Member) -> str:
    """Return the name under which a voice is kept; the station of one for this case only."""
    return member.name or member.station


def kept_fitted(
    folder: Path, members: Sequence[Member], passphrase: str | None = None
) -> FittedNetwork | None:
    """Return the network that was fitted to a team with all these members, if it was made of the one that
    ships now and lies in `folder`, open or locked with `passphrase`. Raises UserError where it cannot be
    read."""
    from listener.team.fitted_store import fitted_for  # noqa: PLC0415

    if not folder.is_dir() or not all(member.name for member in members):
        return None
    names = [member.name for member in members]
    return fitted_for(folder, names, fingerprint(shipped_network()), passphrase)


def _spoken(card: CardRead) -> list[Spoken]:
    return [(one.phrase, one.sound) for one in card.sentences]


def _bar(console: Console) -> Callable[[float], None]:
    return lambda done: console.progress(round(100 * done), 100)
