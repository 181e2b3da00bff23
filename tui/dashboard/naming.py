"""Names the speakers of a stored case afterwards, by listening to one utterance after the other.

Each answer is one more fact in the case's journal (`SpeakerSet`); nothing that was stored changes. Its time
is the end of the utterance that it speaks of.
"""

from __future__ import annotations

from grammar.case.facts import Fact, SpeakerSet
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.errors import UserError
from grammar.protocol.model import Protocol
from listener.storage.case_lock import hold_case
from listener.storage.case_reader import StoredCase
from listener.storage.journal import Journal
from tui.text.wording import heard, station

MOST = 6
"""Stations that have a key, in the order of the protocol."""

WORDS = 34
"""Letters of an utterance shown beside the question, so that all keys fit on the line."""

BEFORE_S = 0.3
"""Of the snippet before the first word."""


class SpeakerNaming:
    """The utterances whose speaker nobody knows, and the one that is being asked about."""

    def __init__(self, stored: StoredCase, case: Case) -> None:
        """`case` is the fold of the stored facts, which each answer joins."""
        self._stored, self._case = stored, case
        self.asked: Utterance | None = None
        """The utterance asked about; None while nothing is."""

    @property
    def stations(self) -> list[str]:
        """The stations that the keys from 1 on stand for."""
        return [each.id for each in self._stored.protocol.station][:MOST]

    def unnamed(self) -> list[Utterance]:
        """Return what was said by nobody known, in order of time; speech outside the protocol left out."""
        said = (line.utterance for line in self._case.state.log if line.utterance)
        found = [one for one in said if one.sender is None and one.role != "unrecognised"]
        return sorted(found, key=lambda one: (one.t, one.fact))

    def ask(self, from_s: float, step: int = 1) -> Utterance | None:
        """Go to the next utterance (step 1) or the one before (-1), seen from the one asked about, else
        from `from_s` seconds; None where there is none."""
        here = (self.asked.t, self.asked.fact) if self.asked else (from_s, 0)
        if step > 0:
            later = [one for one in self.unnamed() if (one.t, one.fact) > here]
            self.asked = later[0] if later else None
        else:
            earlier = [one for one in self._recognised() if (one.t, one.fact) < here]
            self.asked = earlier[-1] if earlier else None
        return self.asked

    def name(self, number: int) -> str:
        """Store that the station of key `number` (from 1) spoke; its title.

        Raises UserError where nothing was asked, where no station has the number, and where the fact
        cannot be stored, such as in a case that was altered.
        """
        most = len(self.stations)
        if self.asked is None:
            raise UserError(f"s plays a voice first; then 1 to {most} say whose it is")
        if not 0 < number <= most:
            raise UserError(f"{number} is no station: 1 to {most} say whose voice it was")
        if self._stored.integrity.altered:
            raise UserError("this case was altered after it was stored: nothing is added to it")
        chosen = self.stations[number - 1]
        fact: Fact = SpeakerSet(t=self.asked.until, target=self.asked.fact, station=chosen)
        with hold_case(self._stored.folder):
            journal = Journal.open(self._stored.folder, keys=self._stored.keys)
            try:
                self._case.add(journal.append_next(fact))
            finally:
                journal.close()
        return station(self._stored.protocol, chosen)

    def question(self, protocol: Protocol) -> str:
        """Return the line that asks whose voice it was."""
        if self.asked is None:
            return "every speaker from here on is known"
        keys = " ".join(f"{at} {station(protocol, one)}" for at, one in enumerate(self.stations, 1))
        words = heard(self.asked.text)
        said = words if len(words) <= WORDS else f"{words[:WORDS]}…"
        return f"“{said}” who? {keys}"

    def _recognised(self) -> list[Utterance]:
        said = (line.utterance for line in self._case.state.log if line.utterance)
        return sorted(
            (one for one in said if one.role != "unrecognised"), key=lambda one: (one.t, one.fact)
        )
