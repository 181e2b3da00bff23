"""A stored case gone through once, for every part of its debrief."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from grammar.case.amendments import ended
from grammar.case.loops import Loop
from grammar.case.view import View
from grammar.protocol.model import Protocol
from grammar.reports.handover import Handover, handover
from grammar.reports.measures import Measures, Observation, measure
from listener.storage.case_reader import StoredCase
from tui.pages.debrief.moments import Moment, moments
from tui.pages.debrief.notes import DebriefNote


class GoneThrough:
    """Everything derived of a case at its end, and where each fact lies."""

    def __init__(self, stored: StoredCase, notes: Sequence[DebriefNote]) -> None:
        self.stored = stored
        self.protocol: Protocol = stored.protocol
        self.view: View = stored.view()
        self.measures: Measures = measure(self.protocol, self.view, stored.facts)
        self.handover: Handover = handover(self.protocol, self.view)
        self.moments: tuple[Moment, ...] = moments(self.protocol, self.view, notes)
        self.begins = {fact.seq: fact.t for fact in stored.facts}
        self.ends = {fact.seq: ended(fact) for fact in stored.facts}
        self.calls = [loop for loop, state in self.view.loops if state != "withdrawn"]
        """The calls that want an answer."""
        self.orders = [x for x in self.calls if self.protocol.calls[x.call].is_order]
        self.others = [x for x in self.calls if not self.protocol.calls[x.call].is_order]


def facts_of(found: Iterable[Loop | Moment | Observation]) -> tuple[int, ...]:
    """Return the facts that these rest on, each once, by `seq`."""
    each = ((x.fact,) if isinstance(x, Loop) else x.facts for x in found)
    return tuple(dict.fromkeys(fact for facts in each for fact in facts))
