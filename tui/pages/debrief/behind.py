"""Names the things that the numbers of many cases count: each call, order, finding and attempt,
with its time and words.

The words are read from the cases as the page is made: what is kept of a case between runs holds none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from grammar.case.facts import Amended, Fact, Heard
from grammar.language.phrases import UNKNOWN
from listener.storage.fact_reader import stored_facts
from listener.storage.passphrase import is_locked, unlock
from tui.pages.debrief.content import Behind, Piece, Tally
from tui.pages.debrief.logbook import fact_in_words
from tui.pages.debrief.summary import COUNTS, Counted, Summary, wait_key
from tui.text.wording import clean, clock


@dataclass(frozen=True, slots=True)
class Said:
    """The time of a fact, in seconds, and its words."""

    t: float
    words: str


def words_of(passphrase: str | None, folder: Path) -> dict[int, Said]:
    """Return the words of a case, by `seq`, as people corrected them. Raises UserError."""
    keys = unlock(folder, passphrase if is_locked(folder) else None)
    facts = stored_facts(folder, keys).facts
    found = {fact.seq: Said(fact.t, _words(fact)) for fact in facts}
    for fact in facts:
        if isinstance(fact, Amended) and fact.target in found:
            right = f"“{clean(fact.words)}” (amended)"
            found[fact.target] = Said(found[fact.target].t, right)
    return found


def _words(fact: Fact) -> str:
    if isinstance(fact, Heard):
        return f"“{clean(fact.text.replace(UNKNOWN, '…'))}”"
    return fact_in_words(fact)


def place(number: int, key: str = "") -> str:
    """Return the id of a case on the page, or of what counts there as `key`."""
    return f"c{number}-{key}" if key else f"c{number}"


def counted(summary: Summary, key: str) -> int:
    """Return how many of a case's pieces count as `key`."""
    return sum(key in one.counts for one in summary.counted)


def keys_of(summary: Summary) -> dict[str, str]:
    """Return all that a case's pieces may count for, in words."""
    waits = {wait_key(title): f"of {clean(title)}" for title in summary.waits}
    return COUNTS | waits


def behind(number: int, title: str, summary: Summary, said: Mapping[int, Said] | str) -> Behind:
    """One case, its `number` on the page; `said` are its words, or why they cannot be read."""
    about = f"lasted {clock(summary.lasted_s)}, protocol {clean(summary.protocol)}"
    if isinstance(said, str):
        about, said = f"{about}; its words cannot be read: {clean(said)}", {}
    return Behind(
        place(number),
        title=title,
        about=about,
        tallies=tuple(
            Tally(key, place(number, key), f"{counted(summary, key)} {words}")
            for key, words in keys_of(summary).items()
        ),
        pieces=tuple(_piece(one, said) for one in summary.counted),
    )


def _piece(one: Counted, said: Mapping[int, Said]) -> Piece:
    first = said.get(one.facts[0]) if one.facts else None
    return Piece(clock(first.t) if first else "", " · ".join(_told(one, said)), one.counts)


def _told(one: Counted, said: Mapping[int, Said]) -> Iterator[str]:
    for place_in, fact in enumerate(one.facts):
        if fact in said:
            when = f"{clock(said[fact].t)} " if place_in else ""
            yield f"{when}{said[fact].words}"
    kind, *others = one.counts
    if one.rule:
        yield clean(one.rule.replace("-", " "))
    came = {"call": "answered", "told": "answered", "order": "done"}.get(kind)
    if one.seconds is not None and (came is None or came in others):
        yield f"{one.seconds:.1f} s"
    elif one.seconds is not None:
        yield f"not {came} in the {clock(one.seconds)} until the end"
    shown = (key for key in one.counts if not key.startswith(("done-", "wait-")))
    yield ", ".join(_SHORT.get(key, key) for key in shown)


_SHORT = {"order-closed": "loop closed", "order-open": "loop not closed"}
