"""The voices of a case's team: kept in its folder as long as it lasts, gone when it ends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.case.facts import VoiceAgreed
from listener.storage.journal import Journal
from listener.team.fitted_store import (
    FittedNetwork,
    forget_fitted_of_case,
    keep_fitted_for_case,
)
from listener.team.member import Member
from listener.team.voiceprint_store import forget_case, keep_for_case, members_of_case


class TeamVoices:
    """Members who are known in a case. Those for this case only lie in its folder, locked where it is."""

    def __init__(
        self, journal: Journal, members: Sequence[Member], fitted: FittedNetwork | None = None
    ) -> None:
        """`journal` is of a new case, or of one that goes on; `fitted` the network that was fitted to the
        members. Raises UserError where voices cannot be read."""
        self._journal = journal
        self._new = tuple(members)
        self._fitted = fitted
        self.members = (*members_of_case(journal.folder, journal.keys), *self._new)

    def begin(self, t: float) -> Iterator[VoiceAgreed]:
        """Keep the new members' voices, and yield that each of them agreed. Raises UserError where they
        cannot be kept."""
        only_here = [member for member in self._new if not member.name]
        keep_for_case(self._journal.folder, self._journal.keys, only_here)
        if self._fitted and only_here:
            keep_fitted_for_case(self._journal.folder, self._journal.keys, self._fitted)
        for member in self._new:
            yield VoiceAgreed(t=t, station=member.station, scope="kept" if member.name else "case")

    def join(self, member: Member, t: float) -> VoiceAgreed:
        """Keep the voice of a member whose card was read in the middle of the case, for this case only.
        Returns that they agreed. Raises UserError where it cannot be kept."""
        keep_for_case(self._journal.folder, self._journal.keys, [member])
        return VoiceAgreed(t=t, station=member.station, scope="case")

    def forget(self) -> None:
        """Remove the voices that were kept for this case only, and a network that was fitted to them.
        Raises UserError where that cannot be."""
        forget_fitted_of_case(self._journal.folder)
        forget_case(self._journal.folder)
