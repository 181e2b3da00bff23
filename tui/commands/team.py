"""The command `team`: members read a card, so that their voices are known; kept voices listed and
removed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from getpass import getpass
from pathlib import Path
from typing import TYPE_CHECKING

from platformdirs import user_data_path

from grammar.errors import UserError
from tui.commands.shared import (
    USUAL_PROTOCOL,
    Commands,
    new_passphrase,
    passphrase_file_option,
    passphrase_in,
    passphrase_of,
)
from tui.commands.sound import device_option, listed, source_of
from tui.text.wording import clean

if TYPE_CHECKING:
    from grammar.protocol.model import Protocol
    from listener.storage.passphrase import Keys
    from listener.team.fitted_store import FittedNetwork
    from listener.team.member import Member
    from tui.commands.card_console import CardRead

EVERYBODY = "all"
FITTED = "our model fitted to the team"


def voices_folder() -> Path:
    """Return where voices are kept whose people agreed to it."""
    return user_data_path("answerback", appauthor=False) / "voices"


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("team", help="read a card, so that it is known who spoke")
    one.add_argument(
        "of",
        nargs="?",
        default=USUAL_PROTOCOL,
        metavar="CASE|PROTOCOL",
        help="a broken-off case that is to go on, or a protocol; isolation-airway if left out",
    )
    one.add_argument(
        "--station",
        action="append",
        metavar="STATION",
        help="who reads, by station; may be repeated; all in turn if left out",
    )
    one.add_argument(
        "--from",
        dest="audio",
        action="append",
        metavar="FILE",
        help="a card read into a WAV or FLAC file, one for each --station; none: microphone",
    )
    device_option(one)
    one.add_argument("--recogniser", choices=("auto", "vosk", "pocketsphinx"), default="auto")
    one.add_argument("--model", type=Path, metavar="DIR", help="a published vosk model")
    one.add_argument("--forget", metavar="NAME", help="remove the voice kept under NAME for good")
    one.add_argument("--kept", action="store_true", help="list the voices that are kept, and end")
    one.add_argument(
        "--passphrase",
        action="store_true",
        help="lock the voices kept; you are asked for a passphrase",
    )
    passphrase_file_option(one)
    one.set_defaults(run=team)


def team_option(parser: argparse.ArgumentParser) -> None:
    """`--team NAMES`."""
    parser.add_argument(
        "--team",
        default="",
        metavar="NAME,NAME|all",
        help="kept voices of those who are here (`answerback team` keeps them)",
    )


def team(wanted: argparse.Namespace) -> None:
    """Have cards read, or list or remove kept voices."""
    if listed(wanted):
        return
    from listener.team.fitted_store import forget_in_fitted  # noqa: PLC0415
    from listener.team.voiceprint_store import forget_member, kept_voices  # noqa: PLC0415

    folder = voices_folder()
    if wanted.forget is not None:
        fitted = forget_in_fitted(folder, wanted.forget)
        if not forget_member(folder, wanted.forget) and not fitted:
            raise UserError(f"no voice is kept under “{wanted.forget}”: nothing was changed")
        print(clean(f"forgotten for good: {wanted.forget}"))
    elif wanted.kept:
        kept = kept_voices(folder, _typed_passphrase(wanted))
        for member in kept.members:
            print(clean(f"{member.name}: {member.station}, agreed {member.agreed}"))
        if kept.locked:
            print(f"{kept.locked} more, locked with another passphrase")
    else:
        _read(wanted, folder)


def chosen_members(
    names: str, protocol: Protocol, passphrase: str | None = None
) -> tuple[Member, ...]:
    """Return the kept voices called by `--team`, of the protocol's stations. Raises UserError for a name
    under which none is kept, one that another passphrase locks, or a station that the protocol does not
    have."""
    from listener.team.voiceprint_store import is_kept, kept_voices  # noqa: PLC0415

    if not names.strip():
        return ()
    voices = kept_voices(voices_folder(), passphrase)
    kept = voices.members
    if names.strip() == EVERYBODY:
        if voices.locked:
            text = f"{voices.locked} kept voices are locked with another passphrase: left out"
            print(text, file=sys.stderr)
        return tuple(member for member in kept if member.station in protocol.stations)
    by_name = {member.name.casefold(): member for member in kept}
    found = []
    for name in (each.strip() for each in names.split(",") if each.strip()):
        member = by_name.get(name.casefold())
        if member is None and is_kept(voices_folder(), name):
            raise UserError(
                f"the voice of {name} is locked: give the passphrase that it was kept with"
            )
        if member is None:
            raise UserError(f"no voice is kept under “{name}”: `answerback team --kept` lists them")
        if member.station not in protocol.stations:
            raise UserError(f"{name} speaks for “{member.station}”, which this protocol has not")
        found.append(member)
    return tuple(found)


class TeamEars:
    """The ears as they heard the cards of a team, and the quick one that is to listen."""

    def __init__(
        self,
        members: Sequence[Member],
        fitted: FittedNetwork | None = None,
        passphrase: str | None = None,
    ) -> None:
        """`fitted` is a network that was fitted to just these members; one that is kept with their voices,
        open or locked with `passphrase`, is found. Raises UserError where it cannot be read."""
        from listener.team.ear_comparison import CLEARLY, best_quick, together  # noqa: PLC0415
        from listener.team.member import bounds_for  # noqa: PLC0415

        self._scores = together(member.ears for member in members if member.ears)
        self._quick = [one for one in self._scores if one.recogniser]
        best = best_quick(self._scores)
        self.best = self._quick.index(best) if best else 0
        self.offered = tuple(f"{one.name} {one.right} of {one.of}" for one in self._quick)
        self._fitted = (fitted or _kept_fitted(members, passphrase)) if self._quick else None
        if self._fitted:
            self.offered += (f"{FITTED}: {self._fitted.in_words}",)
            if best and self._fitted.after + CLEARLY > best.right:
                self.best = len(self._quick)
        names = [one.name for one in self._quick]
        if self._fitted:
            names.append(names[0])  # it takes the bounds of the network it was made of
        self.doubts = tuple(bounds_for(members, name).in_words for name in names)
        """For each ear that is offered, what came of fitting its bounds of doubt."""

    def choose(self, wanted: argparse.Namespace, at: int) -> str:
        """Have a quick ear listen, unless the command line names one. Returns the comparison in words."""
        from listener.team.ear_comparison import table  # noqa: PLC0415

        if not self._quick:
            return ""
        if wanted.recogniser == "auto" and wanted.model is None:
            if self._fitted and at == len(self._quick):
                wanted.recogniser, wanted.fitted = "vosk", self._fitted
                compared = table(self._scores)
                return f"cards understood by {compared}; {self.offered[at]} listens"
            chosen = self._quick[at]
            wanted.recogniser = chosen.recogniser
            wanted.model = Path(chosen.model) if chosen.model else None
            return f"cards understood by {table(self._scores)}; {chosen.name} listens"
        return f"cards understood by {table(self._scores)}"


def _kept_fitted(members: Sequence[Member], passphrase: str | None) -> FittedNetwork | None:
    from tui.commands.team_fitting import kept_fitted  # noqa: PLC0415

    return kept_fitted(voices_folder(), members, passphrase)


def read_at_briefing(wanted: argparse.Namespace, protocol: Protocol) -> None:
    """Have cards read before a case, through its microphone, and fit the quick ear to all that were.

    `wanted.cards_here`, `read_here` (the members who are known) and `fitted_here` are set. One who wants
    their voice kept is kept as well, and the network where all of them do.
    """
    from listener.team.fitted_store import keep_fitted  # noqa: PLC0415
    from listener.team.voiceprint_store import keep_member  # noqa: PLC0415
    from tui.commands.card_console import ears_of, read_cards, told  # noqa: PLC0415
    from tui.commands.console import Console  # noqa: PLC0415
    from tui.commands.team_fitting import fit_team, tell_bounds  # noqa: PLC0415

    console = Console()
    cards: list[CardRead] = [*wanted.cards_here]
    keys = _locked_with(wanted.known_passphrase)

    def done(card: CardRead) -> None:
        console.say(told(protocol, card))
        cards.append(card)
        if card.member and card.member.name:
            keep_member(voices_folder(), card.member, keys)

    with ears_of(protocol, wanted.recogniser, wanted.model) as ears:
        read_cards(
            ears,
            [one.id for one in protocol.station],
            lambda _: source_of(None, wanted.device, wanted.channels, keys=False),
            console=console,
            done=done,
            case=True,
            free_name=_free_name,
        )
        tell_bounds(cards, ears.recogniser.name, console)
    if len(cards) > len(wanted.cards_here):
        wanted.fitted_here = fit_team(protocol, cards, console)
    wanted.cards_here = tuple(cards)
    wanted.read_here = tuple(card.member for card in cards if card.member)
    if wanted.fitted_here and all(member.name for member in wanted.read_here):
        keep_fitted(voices_folder(), wanted.fitted_here, keys)


def _read(wanted: argparse.Namespace, folder: Path) -> None:
    from grammar.protocol.loading import load_protocol  # noqa: PLC0415
    from listener.storage.journal import JOURNAL, PROTOCOL  # noqa: PLC0415
    from listener.team.fitted_store import keep_fitted, keep_fitted_for_case  # noqa: PLC0415
    from listener.team.voiceprint_store import keep_for_case, keep_member  # noqa: PLC0415
    from tui.commands.card_console import ears_of, read_cards, told  # noqa: PLC0415
    from tui.commands.console import Console  # noqa: PLC0415
    from tui.commands.team_fitting import fit_team, tell_bounds  # noqa: PLC0415

    case = Path(wanted.of) if (Path(wanted.of) / JOURNAL).is_file() else None
    protocol = load_protocol(str(case / PROTOCOL) if case else wanted.of)
    passphrase = passphrase_of(wanted, case) if case else _typed_passphrase(wanted)
    keys = _keys_of(case, passphrase) if case else None
    lock = _locked_with(passphrase)
    stations = wanted.station or [one.id for one in protocol.station]
    for name in stations:
        if name not in protocol.stations:
            known = ", ".join(protocol.stations)
            raise UserError(f"There is no station “{name}”: there are {known}.")
    if wanted.audio and len(stations) != len(wanted.audio):
        raise UserError("a file holds the card of one member: name each with --station")
    cards_read = dict(zip(stations, wanted.audio or [None] * len(stations), strict=True))

    console = Console()
    cards: list[CardRead] = []

    def done(card: CardRead) -> None:
        cards.append(card)
        if card.member and card.member.name:
            keep_member(folder, card.member, lock)
        elif card.member and case:
            keep_for_case(case, keys, [card.member])
        console.clear_bar()
        print(clean(told(protocol, card)), flush=True)

    with ears_of(protocol, wanted.recogniser, wanted.model) as ears:
        read_cards(
            ears,
            stations,
            lambda name: source_of(cards_read[name], wanted.device, (), keys=False),
            console=console,
            done=done,
            case=case is not None,
            free_name=_free_name,
        )
        tell_bounds(cards, ears.recogniser.name, console)
    fitted = fit_team(protocol, cards, console)
    if fitted and all(card.member.name for card in cards if card.member):
        keep_fitted(folder, fitted, lock)
    elif fitted and case:
        keep_fitted_for_case(case, keys, fitted)


def _free_name(title: str) -> str:
    """Return the name for a voice whose person said aloud that it may be kept: their station's title, with
    a number where another voice has that name."""
    from itertools import count  # noqa: PLC0415

    from listener.team.voiceprint_store import is_kept  # noqa: PLC0415

    folder = voices_folder()
    if not is_kept(folder, title):
        return title
    return next(name for number in count(2) if not is_kept(folder, name := f"{title} {number}"))


def _typed_passphrase(wanted: argparse.Namespace) -> str | None:
    """Return the passphrase that kept voices are, or are to be, locked with; None without one. Raises
    UserError."""
    if wanted.passphrase_file is not None:
        return passphrase_in(wanted.passphrase_file)
    if not wanted.passphrase:
        return None
    return getpass("passphrase of the voices: ") if wanted.kept else new_passphrase("the voices")


def _locked_with(passphrase: str | None) -> Keys | None:
    """Return keys, with a lock of their own, for what is kept from now on; None without a passphrase."""
    from listener.storage.passphrase import new_lock  # noqa: PLC0415

    return None if passphrase is None else new_lock(passphrase)


def _keys_of(case: Path, passphrase: str | None) -> Keys | None:
    """Return the keys of a case that can still go on. Raises UserError for one that has ended."""
    from listener.storage.case_reader import open_case  # noqa: PLC0415
    from listener.storage.passphrase import unlock  # noqa: PLC0415

    if any(fact.kind == "case-ended" for fact in open_case(case, passphrase).facts[-1:]):
        raise UserError(f"{case} has ended: nobody speaks in it any more")
    return unlock(case, passphrase)
