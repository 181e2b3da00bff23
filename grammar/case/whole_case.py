"""A stored case folded in one go, whose facts are not held: each comes, is folded as it stands in the end,
and goes.

A ward's week has a million facts, which would take more memory than all that is derived of them.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import fields

from grammar.case.amendments import Amending, EffectiveFact, effective, ended, taken_back
from grammar.case.facts import Confirmed, Fact, Heard, Withdrawn
from grammar.case.fold import Case
from grammar.case.view import View
from grammar.language.meaning import Meaning, Reading
from grammar.language.parse import Understanding
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

_standing = quick(EffectiveFact)

_OTHER_FIELDS = tuple(each.name for each in fields(Meaning) if each.name != "readings")

NOWHEN = float("nan")
"""Stands for the times of a number that no fact has."""


def _exact(values: Iterable[object]) -> str:
    """Return values as a key: numbers that are equal and written otherwise (70 and 70.0) differ."""
    return repr(tuple(values))


class WholeCase(Case):
    """The fold of all facts of a case, at its end."""

    def __init__(
        self, protocol: Protocol, facts: Iterable[Fact], amending: Sequence[Amending]
    ) -> None:
        """`facts` are gone through once; `amending` are those of them that speak of others."""
        super().__init__(protocol, Understanding(protocol, known=0))
        self._known: dict[tuple[str, ...], tuple[str, Meaning]] = {}
        """Each sentence that was said, as one value for all who say it again, and its meaning."""
        self._readings: dict[tuple[object, ...], Reading] = {}
        self._meanings_of: dict[tuple[object, ...], Meaning] = {}
        self.begins = array("d")
        """When each fact was, by its number, in seconds; NOWHEN where there is none."""
        self.ends = array("d")
        """When each fact was complete, likewise."""
        self.latest = 0.0
        """When the last of all was complete."""
        gone = taken_back(amending)
        spoken_of: dict[int, list[Fact]] = {}
        for each in amending:
            if each.seq not in gone and not isinstance(each, Withdrawn):
                spoken_of.setdefault(each.target, []).append(each)
        self._wanted = {each.target for each in amending if isinstance(each, Withdrawn)}
        # The line of a Confirmed that was taken back says what was confirmed.
        confirmed = [each for each in amending if isinstance(each, Confirmed)]
        self._wanted |= {each.target for each in confirmed if each.seq in self._wanted}
        self._told_of: dict[int, Fact] = {}
        """The facts that lines of withdrawals tell of."""
        state = self._state
        for fact in facts:
            self._note(fact)
            if fact.seq in gone:
                continue
            changed = spoken_of.get(fact.seq)
            standing = _standing(fact) if not changed else effective((fact, *changed))[fact.seq]
            state = self._step(state, standing)
        self._state = state

    def at_its_end(self) -> View:
        """Return the case when its last fact was complete."""
        return self.view(self.latest)

    def _note(self, fact: Fact) -> None:
        until = ended(fact)
        self.latest = max(self.latest, until)
        if fact.seq in self._wanted:
            self._told_of[fact.seq] = fact
        missing = fact.seq - len(self.begins)
        if missing:
            self.begins.extend([NOWHEN] * missing)
            self.ends.extend([NOWHEN] * missing)
        self.begins.append(fact.t)
        self.ends.append(until)

    def _over_by(self, t: float, seq: int) -> Fact | None:
        found = self._told_of.get(seq)
        return found if found and ended(found) <= t else None

    def _read(self, fact: Heard) -> tuple[str, Meaning]:
        words = tuple(word.text for word in fact.words)
        known = self._known.get(words)
        if known is None:
            meaning = self._one(self._understanding.read(words))
            known = self._known[words] = " ".join(words), meaning
        return known

    def _one(self, meaning: Meaning) -> Meaning:
        """Return a meaning as one value for all sentences that mean the same, and so its readings."""
        readings = tuple(
            self._readings.setdefault((one.call, one.unit_said, _exact(one.slots.items())), one)
            for one in meaning.readings
        )
        rest = [getattr(meaning, name) for name in _OTHER_FIELDS]
        key = (*map(id, readings), _exact(rest))
        known = self._meanings_of.get(key)
        if known is None:
            known = self._meanings_of[key] = replaced(meaning, readings=readings)
        return known
