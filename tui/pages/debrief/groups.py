"""Cases taken together, and the numbers of many cases led back to what each case brings to them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from grammar.reports.measures import Observation, Share, share
from tui.pages.debrief.behind import counted, place
from tui.pages.debrief.content import Cell, Link, share_cell
from tui.pages.debrief.summary import Summary, observations
from tui.text.wording import clean


@dataclass(frozen=True, slots=True)
class Told:
    """A case in the list: its summary and the team that it belongs to."""

    summary: Summary
    team: str
    """The name of the folder that holds it."""
    folder: Path
    """Where the words of its numbers are read from."""

    @property
    def began(self) -> datetime | None:
        try:
            return datetime.fromisoformat(self.summary.began)
        except ValueError:
            return None


@dataclass(frozen=True, slots=True)
class Group:
    """Cases taken together under a name."""

    name: str
    cases: tuple[Told, ...]

    def share(self, name: str) -> Share:
        """A share over all its cases."""
        found = [case.summary.shares[name] for case in self.cases]
        return share(sum(count for count, _ in found), sum(total for _, total in found))

    def times(self, name: str) -> list[Observation]:
        """The times of all its cases: a field of `Summary`."""
        return [one for case in self.cases for one in observations(getattr(case.summary, name))]

    def waits(self, title: str) -> list[Observation]:
        """The lengths, in all its cases, of what the protocol measures under a title."""
        return [
            one for case in self.cases for one in observations(case.summary.waits.get(title, ()))
        ]


class Numbers:
    """Numbers of many cases, each led back to what every case brings to it."""

    def __init__(self, cases: Iterable[Told]) -> None:
        """`cases` as they stand on the page."""
        self._numbers = {id(case): number for number, case in enumerate(cases, 1)}

    def place(self, case: Told, key: str = "") -> str:
        """The id of a case on the page, or of what counts there as `key`."""
        return place(self._numbers[id(case)], key)

    def cell(self, text: str, cases: Iterable[Told], key: str) -> Cell:
        """A number that counts what cases have of `key`."""
        return Cell(text, parts=self.parts(cases, key))

    def parts(self, cases: Iterable[Told], key: str) -> tuple[Link, ...]:
        """Return the values of `key` in each case; where none has any, how many cases there are to
        look at."""
        counts = [(case, counted(case.summary, key)) for case in cases]
        some = [(case, count) for case, count in counts if count] or counts
        return tuple(
            Link(f"{case.summary.began[:10] or named(case)}: {count}", self.place(case, key))
            for case, count in some
        )

    def share(self, group: Group, name: str) -> Cell:
        """A share of a group."""
        cell = share_cell(group.share(name))
        return replace(cell, parts=self.parts(group.cases, name)) if group.cases else cell


def once(cases: Sequence[Told]) -> tuple[list[Told], list[tuple[Told, Told]]]:
    """Return each case once, and each copy with the case that it is one of.

    Of copies that hold more or fewer facts the one with the most counts.
    """
    by_identity: dict[str, Told] = {}
    for case in cases:
        key = case.summary.identity or str(case.folder)
        known = by_identity.get(key)
        if known is None or case.summary.facts > known.summary.facts:
            by_identity[key] = case
    kept = {id(case) for case in by_identity.values()}
    copies = [(case, by_identity[case.summary.identity]) for case in cases if id(case) not in kept]
    return [case for case in cases if id(case) in kept], copies


def named(case: Told) -> str:
    """A case's team and folder."""
    return clean(f"{case.team}/{case.summary.case}")
