"""Every fact of a case as a line, so that whatever rests on a fact can be clicked back to it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

from grammar.case.facts import Fact, as_dict
from grammar.case.view import LogLine, View
from grammar.language.phrases import UNKNOWN
from grammar.protocol.model import Protocol
from tui.pages.debrief.capping import LOG_LINES, only_first
from tui.pages.debrief.content import Line, Log
from tui.text.wording import ROLE_WORDS, STATE_WORDS, clean, clock, station

FLAG_WORDS = {
    "sounds-like": "number with a twin that sounds alike",
    "number-conflict": "digits disagree",
    "second-listener": "heard two ways",
    "another-near": "another reading is near",
    "out-of-bounds": "out of bounds",
    "nearest": "not word for word",
    "differed": "differed",
    "one-ear": "heard by one ear",
    "card": "while a card was read",
    "sure-ear": "by the sure ear",
}
_SILENT = ("kind", "seq", "t", "until", "words", "wall")


def logbook(protocol: Protocol, view: View, facts: Sequence[Fact]) -> Log:
    """Return all facts in the order they were stored; of very many the first."""
    shown = list(islice(facts, LOG_LINES))
    last = shown[-1].seq if shown else 0
    said = {line.fact: line for line in view.log if line.fact <= last}
    loops = {loop.fact: (loop, state) for loop, state in view.loops if loop.fact <= last}
    lines = []
    for fact in shown:
        line = said.get(fact.seq)
        if line is None:
            lines.append(_other(fact))
            continue
        found = loops.get(fact.seq)
        state = "" if found is None else f"call {found[0].id}: {STATE_WORDS[found[1]]}"
        if found and found[0].late:
            state += " late"
        lines.append(_line(protocol, line, state))
    told = only_first(LOG_LINES, len(facts), "facts")
    reached = f"{told} Links to later facts lead nowhere; `replay` shows them." if told else ""
    return Log("Every fact", tuple(lines), reached)


def _line(protocol: Protocol, line: LogLine, state: str) -> Line:
    said = line.utterance
    if said is None:
        return Line(
            line.fact, when=clock(line.t), kind=line.kind, who="", text=clean(line.text), marks=""
        )
    who = station(protocol, said.sender)
    to = station(protocol, said.to)
    marks = [state] if state else []
    if said.loop is not None and not state:
        marks.append(f"to call {said.loop}")
    if said.unsure:
        marks.append("unsure")
    marks += [FLAG_WORDS.get(flag, flag) for flag in said.flags]
    return Line(
        said.fact,
        when=clock(line.t),
        kind=_ROLES[said.role],
        who=f"{who} → {to}" if to else who,
        text=clean(line.text.replace(UNKNOWN, "(not understood)")),
        marks=", ".join(marks),
    )


_ROLES = {role: word.strip() for role, word in ROLE_WORDS.items()} | {
    "read-back": "read-back",
    "acknowledgement": "acknowledged",
    "proword": "radio word",
    "unrecognised": "not in the grammar",
}


def _other(fact: Fact) -> Line:
    """Return the line of a fact that the case's own log has no line for."""
    kind = fact.kind.replace("-", " ")
    return Line(fact.seq, when=clock(fact.t), kind=kind, who="", text=fact_in_words(fact), marks="")


def fact_in_words(fact: Fact) -> str:
    """Return the content of a fact in plain words, without its case's help."""
    return clean(getattr(fact, "text", "")) or "; ".join(
        f"{name} {clean(str(value))}"
        for name, value in as_dict(fact).items()
        if name not in _SILENT and value not in (None, "", [], ())
    )
