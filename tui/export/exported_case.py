"""A case as its exports tell it: every line of the log, with what people said about each utterance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from grammar.case.amendments import taken_back
from grammar.case.facts import CaseStarted, Confirmed, Entered, Heard, HeardOut
from grammar.case.view import Utterance, View
from grammar.protocol.model import Protocol
from listener.storage.case_reader import StoredCase
from tui.pages.page import CAUTIONS

CAUTION = f"{CAUTIONS} Voices and words of patients and staff are personal data."


@dataclass(frozen=True, slots=True)
class Line:
    """One line, at `t` to `until` seconds on the case's clock; `seq` is its fact, None for a finding."""

    t: float
    until: float
    seq: int | None
    kind: str
    """`utterance`, `entered`, `note`, `mark`, `gap`, `case`, `hand` or `finding`."""
    text: str
    said: Utterance | None = None
    """The case's reading of an utterance; None for one that a person withdrew."""
    heard_as: str = ""
    """The words that the recogniser had heard, where a person amended them."""
    withdrawn: bool = False

    @property
    def unsure(self) -> bool:
        """Return whether it is an utterance that nobody is sure of yet."""
        return self.said is not None and self.said.unsure

    @property
    def amended(self) -> bool:
        """Return whether a person put it right."""
        return self.said is not None and "amended" in self.said.flags

    @property
    def standing(self) -> str:
        """In words: "", "unsure", "amended", "withdrawn", or several."""
        told = ("unsure", self.unsure), ("amended", self.amended), ("withdrawn", self.withdrawn)
        return ", ".join(word for word, true in told if true)


@dataclass(frozen=True, slots=True)
class ExportedCase:
    """A stored case, ready to be written in any format."""

    name: str
    """The case folder's name."""
    protocol: Protocol
    started: CaseStarted | None
    view: View
    lines: tuple[Line, ...]
    line_of: Mapping[int, Line]
    """Fact -> its line."""
    checked: str
    """Whether the case is as it was stored, one sentence."""
    confirmed: frozenset[int] = frozenset()
    """Facts that a person accepted as heard."""

    @property
    def began(self) -> datetime | None:
        """When the case began by the wall clock, None where it does not say."""
        if self.started is None or not self.started.wall:
            return None
        try:
            return datetime.fromisoformat(self.started.wall)
        except ValueError:  # a case from elsewhere
            return None

    def wall(self, t: float) -> str:
        """`t` by the wall clock, ISO 8601 to the millisecond with offset; "" where nobody knows."""
        began = self.began
        if began is None:
            return ""
        try:
            return (began + timedelta(seconds=t)).isoformat(timespec="milliseconds")
        except (OverflowError, ValueError):  # beyond all calendars: of a case from elsewhere
            return ""

    def states(self) -> dict[int, str]:
        """Loop id -> its state at the end."""
        return {loop.id: state for loop, state in self.view.loops}

    def counts(self) -> str:
        """How many of its utterances were unsure, amended, withdrawn: one sentence."""
        spoken = [line for line in self.lines if line.kind in ("utterance", "entered")]
        unsure = sum(line.unsure for line in spoken)
        amended = sum(line.amended for line in spoken)
        withdrawn = sum(line.withdrawn for line in spoken)
        drill = " This is a DRILL: no patient." if self.view.drill else ""
        return (
            f"Of {len(spoken)} utterances {unsure} unsure, {amended} amended by a person,"
            f" {withdrawn} withdrawn by a person. {self.checked}{drill}"
        )


def exported_case(stored: StoredCase) -> ExportedCase:
    """Return the case at its end."""
    view = stored.view()
    facts = {fact.seq: fact for fact in stored.facts}
    whole = {fact.target: fact.text for fact in stored.facts if isinstance(fact, HeardOut)}
    lines = []
    for line in view.log:
        fact, said = facts.get(line.fact), line.utterance
        if said is None:
            until = getattr(fact, "until", line.t)
            lines.append(Line(t=line.t, until=until, seq=line.fact, kind=line.kind, text=line.text))
            continue
        kind = "entered" if isinstance(fact, Entered) else "utterance"
        heard = whole.get(fact.seq, fact.text) if isinstance(fact, Heard) else ""
        heard = "" if heard == said.text else heard
        lines.append(
            Line(
                t=said.t,
                until=said.until,
                seq=said.fact,
                kind=kind,
                text=said.text,
                said=said,
                heard_as=heard,
            )
        )
    shown = {line.seq for line in lines}
    for fact in stored.facts:
        if isinstance(fact, Heard) and fact.seq not in shown:
            text = whole.get(fact.seq, fact.text)
            lines.append(
                Line(
                    t=fact.t,
                    until=fact.until,
                    seq=fact.seq,
                    kind="utterance",
                    text=text,
                    withdrawn=True,
                )
            )
        elif isinstance(fact, Entered) and fact.seq not in shown:
            lines.append(
                Line(
                    t=fact.t,
                    until=fact.t,
                    seq=fact.seq,
                    kind="entered",
                    text=fact.call,
                    withdrawn=True,
                )
            )
    lines += [
        Line(t=found.t, until=found.t, seq=None, kind="finding", text=found.text)
        for found in view.findings
    ]
    lines.sort(key=lambda line: (line.t, line.seq or len(facts) + 1))
    started = next((fact for fact in stored.facts if isinstance(fact, CaseStarted)), None)
    by_fact = {line.seq: line for line in lines if line.seq is not None}
    return ExportedCase(
        name=stored.folder.name,
        protocol=stored.protocol,
        started=started,
        view=view,
        lines=tuple(lines),
        line_of=by_fact,
        checked=stored.integrity.told,
        confirmed=_confirmed(stored),
    )


def _confirmed(stored: StoredCase) -> frozenset[int]:
    found = stored.of_kinds("confirmed", "withdrawn")
    gone = taken_back(found)
    return frozenset(x.target for x in found if isinstance(x, Confirmed) and x.seq not in gone)
