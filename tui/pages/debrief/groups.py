"""Cases taken together, and the numbers of many cases led back to what each case brings to them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Literal

from grammar.reports.measures import (
    FEWEST,
    Observation,
    Share,
    curve,
    median_interval,
    share,
    share_interval,
)
from tui.pages.debrief.behind import counted, place
from tui.pages.debrief.content import Cell, Link, share_cell
from tui.pages.debrief.in_words import FEW, seconds, span, time_in_words
from tui.pages.debrief.summary import Summary, observations
from tui.text.wording import clean


@dataclass(frozen=True, slots=True)
class ListedCase:
    """A case in the list: its summary and the team that it belongs to."""

    summary: Summary
    team: str
    """The name of the folder that holds it."""
    folder: Path
    """Where the words of its numbers are read from."""

    @property
    def began(self) -> datetime | None:
        """Return when the case began, with its time zone; None where nobody knows."""
        try:
            return datetime.fromisoformat(self.summary.began)
        except ValueError:
            return None


Spread = Literal["one case", "range", "cases", "teams"]
"""The bounds beside a share: Wilson's interval of one case, the range of few cases' own shares, or an
interval drawn by cases or by teams."""

SPREADS = (
    f"Calls of one case are not independent: intervals are drawn by whole teams where there are {FEWEST}"
    f" and more, else by whole cases (cluster bootstrap); of fewer than {FEWEST} cases the range of their"
    " own shares stands in their place."
)


@dataclass(frozen=True, slots=True)
class Group:
    """Cases taken together under a name."""

    name: str
    cases: tuple[ListedCase, ...]

    def share(self, name: str, *, others: bool = False) -> tuple[Share, Spread]:
        """Return a share of orders over all its cases, and what its interval is; `others`: of other calls.

        Calls of one case are not independent, so of several cases it is drawn by whole teams, or whole
        cases where the teams are few; of few cases it is the range of their own shares.
        """
        found = [self._counts(case, name, others=others) for case in self.cases]
        whole = share(sum(count for count, _ in found), sum(total for _, total in found))
        some = [part for part in found if part[1]]
        if len(some) < 2:
            return whole, "one case"
        drawn = share_interval(self._by_team(found))
        spread: Spread = "teams"
        if drawn is None:
            drawn, spread = share_interval(found), "cases"
        if drawn is None:
            each = [count / total for count, total in some]
            drawn, spread = (min(each), max(each)), "range"
        return replace(whole, low=drawn[0], high=drawn[1]), spread

    def _counts(self, case: ListedCase, name: str, *, others: bool) -> tuple[int, int]:
        return (case.summary.announcements if others else case.summary.shares)[name]

    def _by_team(self, counts: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        teams: dict[str, tuple[int, int]] = {}
        for case, (count, total) in zip(self.cases, counts, strict=True):
            known = teams.get(case.team, (0, 0))
            teams[case.team] = (known[0] + count, known[1] + total)
        return list(teams.values())

    def median(self, name: str) -> str:
        """Return the median of its times in words, with an interval drawn as that of a share."""
        return self._median([observations(getattr(case.summary, name)) for case in self.cases])

    def wait_median(self, title: str) -> str:
        """That of the lengths of what the protocol measures under a title."""
        return self._median([observations(c.summary.waits.get(title, ())) for c in self.cases])

    def _median(self, by_case: Sequence[list[Observation]]) -> str:
        times = [one for case in by_case for one in case]
        if sum(map(bool, by_case)) < 2 or len(times) < FEW:
            return time_in_words(times)
        found = curve(times)
        if found.median is None:
            return time_in_words(times, found)
        teams: dict[str, list[Observation]] = {}
        for case, own in zip(self.cases, by_case, strict=True):
            teams.setdefault(case.team, []).extend(own)
        drawn = median_interval(list(teams.values())) or median_interval(by_case)
        if drawn is None:
            each = [m for own in by_case if own and (m := curve(own).median) is not None]
            told = f"cases {span(min(each), max(each))}" if each else "in no case half came"
        else:
            told = span(drawn[0], drawn[1] if isfinite(drawn[1]) else None)
        return f"{seconds(found.median)} ({told})"

    def times(self, name: str) -> list[Observation]:
        """Return the times of all its cases: a field of `Summary`."""
        return [one for case in self.cases for one in observations(getattr(case.summary, name))]

    def waits(self, title: str) -> list[Observation]:
        """Return the lengths, in all its cases, of what the protocol measures under a title."""
        return [
            one for case in self.cases for one in observations(case.summary.waits.get(title, ()))
        ]


class Numbers:
    """Numbers of many cases, each led back to what every case brings to it."""

    def __init__(self, cases: Iterable[ListedCase]) -> None:
        """`cases` as they stand on the page."""
        self._numbers = {id(case): number for number, case in enumerate(cases, 1)}

    def place(self, case: ListedCase, key: str = "") -> str:
        """Return the id of a case on the page, or of what counts there as `key`."""
        return place(self._numbers[id(case)], key)

    def cell(self, text: str, cases: Iterable[ListedCase], key: str) -> Cell:
        """Return a number that counts what cases have of `key`."""
        return Cell(text, parts=self.parts(cases, key))

    def parts(self, cases: Iterable[ListedCase], key: str) -> tuple[Link, ...]:
        """Return the values of `key` in each case; where none has any, how many cases there are to
        look at."""
        counts = [(case, counted(case.summary, key)) for case in cases]
        some = [(case, count) for case, count in counts if count] or counts
        return tuple(
            Link(f"{case.summary.began[:10] or named(case)}: {count}", self.place(case, key))
            for case, count in some
        )

    def share(self, group: Group, name: str) -> Cell:
        """Return a share of the orders of a group."""
        found, spread = group.share(name)
        cell = share_cell(found, between="cases " if spread == "range" else "")
        return replace(cell, parts=self.parts(group.cases, name)) if group.cases else cell

    def others(self, group: Group) -> Cell:
        """Return the clean ones of a group's announcements and reports."""
        found, spread = group.share("clean", others=True)
        cell = share_cell(found, between="cases " if spread == "range" else "")
        return replace(cell, parts=self.parts(group.cases, "told-clean")) if group.cases else cell


def once(
    cases: Sequence[ListedCase],
) -> tuple[list[ListedCase], list[tuple[ListedCase, ListedCase]]]:
    """Return each case once, and each copy with the case that it is one of.

    Of copies that hold more or fewer facts the one with the most counts.
    """
    by_identity: dict[str, ListedCase] = {}
    for case in cases:
        key = case.summary.identity or str(case.folder)
        known = by_identity.get(key)
        if known is None or case.summary.facts > known.summary.facts:
            by_identity[key] = case
    kept = {id(case) for case in by_identity.values()}
    copies = [(case, by_identity[case.summary.identity]) for case in cases if id(case) not in kept]
    return [case for case in cases if id(case) in kept], copies


def like(case: ListedCase, *, join_teams: bool = False) -> tuple[object, ...] | None:
    """Return what cases must share to be joined by a line over time: protocol, scenario, drill or real,
    and team; None for one that no other can be like, since nobody named its scenario."""
    one = case.summary
    if not one.scenario:
        return None
    return one.protocol, one.scenario, one.drill, "" if join_teams else case.team


def joined_by(key: tuple[object, ...]) -> str:
    """Return the name of a line over time, of what `like` gives: team and scenario, or the scenario
    alone where teams are joined."""
    _, scenario, _, team = key
    return clean(", ".join(str(part) for part in (team, scenario) if part))


def named(case: ListedCase) -> str:
    """Return a case's team and folder."""
    return clean(f"{case.team}/{case.summary.case}")
