"""A stored case gone through once, for every part of its debrief."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from math import isnan

from grammar.case.facts import CaseStarted
from grammar.case.loops import Loop
from grammar.case.view import View
from grammar.protocol.model import Protocol
from grammar.reports.handover import Handover, handover
from grammar.reports.measures import Measures, Observation, measure
from listener.storage.case_reader import StoredCase
from tui.pages.debrief.moments import Moment, moments
from tui.pages.debrief.notes import DebriefNote
from tui.text.wording import clock


def _fact(loop: Loop) -> int:
    return loop.fact


class AnalysedCase:
    """Everything derived of a case at its end, and where each fact lies."""

    def __init__(self, stored: StoredCase, notes: Sequence[DebriefNote]) -> None:
        self.stored = stored
        self.protocol: Protocol = stored.protocol
        whole = stored.whole()
        self.view: View = whole.at_its_end()
        self.begins, self.ends = FactTimes(whole.begins), FactTimes(whole.ends)
        del whole
        self.started = first_of(stored)
        self.measures: Measures = measure(self.protocol, self.view, stored.of_kinds("gap"))
        self.handover: Handover = handover(self.protocol, self.view)
        self.moments: tuple[Moment, ...] = moments(self.protocol, self.view, notes)
        self.calls = [loop for loop, state in self.view.loops if state != "withdrawn"]
        """The calls that want an answer."""
        self._by_fact = sorted(self.calls, key=_fact)
        self.orders = [x for x in self.calls if self.protocol.calls[x.call].is_order]
        self.others = [x for x in self.calls if not self.protocol.calls[x.call].is_order]

    def call_of(self, moment: Moment) -> Loop | None:
        """Return the call that a moment is of; None where it is of none."""
        return self.loop_at(moment.facts[0]) if moment.facts else None

    def loop_at(self, fact: int) -> Loop | None:
        """Return the call that was made as `fact` and wants an answer; None where there is none."""
        at = bisect_left(self._by_fact, fact, key=_fact)
        found = self._by_fact[at] if at < len(self._by_fact) else None
        return found if found is not None and found.fact == fact else None

    def heard_at(self, moment: Moment, facts: Iterable[int]) -> list[tuple[float, float]]:
        """Return the stretches of time, in seconds, in which a moment is to be heard: what was said as
        `facts`, speech that may have been the report it lacks, and the silence after a call."""
        said = dict.fromkeys((*facts, *moment.unclear))
        found = [(self.begins[fact], self.ends[fact]) for fact in said if fact in self.begins]
        if moment.heard_until is not None:
            found.append((moment.t, moment.heard_until))
        return found

    def when(self, moment: Moment) -> str:
        """Return when a moment was; of an order that was not done in time also when it was given, since
        only the end of its time shows it."""
        at = clock(moment.t)
        if moment.rule != "task-overdue" or moment.facts[0] not in self.begins:
            return at
        return f"{clock(self.begins[moment.facts[0]])} to {at}"


class FactTimes:
    """The times of facts, in seconds, by their number."""

    def __init__(self, times: array[float]) -> None:
        self._times = times

    def __contains__(self, fact: int) -> bool:
        return 0 <= fact < len(self._times) and not isnan(self._times[fact])

    def __getitem__(self, fact: int) -> float:
        if fact not in self:
            raise KeyError(fact)
        return self._times[fact]

    def last(self) -> tuple[int, ...]:
        """Return the fact that was complete last, where there is any."""
        latest = max(((t, at) for at, t in enumerate(self._times) if not isnan(t)), default=None)
        return () if latest is None else (latest[1],)

    def get(self, fact: int, otherwise: object = "") -> object:
        """Return a fact's time as mm:ss, for the words of a link to it."""
        return clock(self._times[fact]) if fact in self else otherwise


def first_of(stored: StoredCase) -> CaseStarted | None:
    """Return the fact with which a case began."""
    return next(
        (fact for fact in stored.of_kinds("case-started") if isinstance(fact, CaseStarted)), None
    )


def facts_of(found: Iterable[Loop | Moment | Observation]) -> tuple[int, ...]:
    """Return the facts that these rest on, each once, by `seq`."""
    each = ((x.fact,) if isinstance(x, Loop) else x.facts for x in found)
    return tuple(dict.fromkeys(fact for facts in each for fact in facts))
