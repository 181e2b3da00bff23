"""Several cases together: the trend over dates, before against after, team against team."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from grammar.reports.measures import NAMES, RESOLUTION_S, Share, curve
from tui.pages.debrief.behind import Said, behind, counted, keys_of, words_of
from tui.pages.debrief.communication import SHARES
from tui.pages.debrief.content import (
    Behinds,
    Cell,
    Debrief,
    Grid,
    NoFacts,
    Part,
    Section,
    Tiles,
    plain,
)
from tui.pages.debrief.group_tables import GroupTables
from tui.pages.debrief.groups import Group, ListedCase, Numbers, named
from tui.pages.debrief.in_words import time_in_words
from tui.pages.debrief.summary import as_json, observations
from tui.pages.debrief.trend import TRENDS, trend
from tui.pages.debrief.waiting import RESOLUTION
from tui.pages.parallel_work import spread
from tui.text.wall_clock import zone_in_words
from tui.text.wording import DRILL_WORDS, clean, clock


class ManyCases:
    """Many cases, in order of their dates."""

    def __init__(
        self,
        cases: Iterable[ListedCase],
        damaged: Mapping[str, str],
        before: date | None,
        passphrase: str | None = None,
        copies: Sequence[tuple[ListedCase, ListedCase]] = (),
        *,
        join_teams: bool = False,
    ) -> None:
        """`damaged` names the folders that could not be read, with the reason; `join_teams`: a line over
        time may go from one team to another."""
        self._join_teams = join_teams
        self._passphrase = passphrase
        self._copies = tuple(copies)
        self.cases = tuple(sorted(cases, key=_in_time))
        self.damaged = dict(sorted(damaged.items()))
        self.everything = Group("all", self.cases)
        self.groups = tuple(self._groups(before))
        self._numbers = Numbers(self.cases)
        self._tables = GroupTables(self.cases, self._numbers)

    def _groups(self, before: date | None) -> Iterator[tuple[str, tuple[Group, ...]]]:
        if before is not None:
            dated = [(each, began) for each in self.cases if (began := each.began)]
            early = tuple(each for each, began in dated if began.date() < before)
            late = tuple(each for each, began in dated if began.date() >= before)
            yield (
                "Before and after",
                (Group(f"before {before}", early), Group(f"from {before} on", late)),
            )
        teams = dict.fromkeys(each.team for each in self.cases)
        if len(teams) > 1:
            yield (
                "Teams",
                tuple(Group(t, tuple(x for x in self.cases if x.team == t)) for t in sorted(teams)),
            )

    def debrief(self, *, words: bool = True) -> Debrief:
        """Return everything about them; `words`: with those that the numbers lead to, read
        from each case.
        """
        dates = [each.summary.began[:10] for each in self.cases if each.summary.began]
        span = f", {' to '.join(dict.fromkeys((dates[0], dates[-1])))}" if dates else ""
        cases = "1 case" if len(self.cases) == 1 else f"{len(self.cases)} cases"
        left_out = f"; {len(self.damaged)} left out, named below" if self.damaged else ""
        return Debrief(
            title=f"Debrief of {cases}",
            about=(
                Cell(f"{cases}{span}{left_out}", link="cases"),
                *self._kinds(),
                *self._checked(),
            ),
            sections=tuple(self._sections(words)),
            moments=NoFacts(),
        )

    def json(self) -> dict[str, Any]:
        """Return the numbers as plain values."""
        return {
            "kind": "debrief",
            "cases": [{"team": each.team, **as_json(each.summary)} for each in self.cases],
            "all": _numbers(self.everything),
            "groups": {
                title: {group.name: _numbers(group) for group in groups}
                for title, groups in self.groups
            },
            "left_out": self.damaged,
            "copies": {str(case.folder): str(same.folder) for case, same in self._copies},
        }

    def _kinds(self) -> Iterator[Cell]:
        """How many are drills; drills and real cases are never mixed without a word."""
        kinds = Counter(each.summary.drill for each in self.cases)
        words = {True: "DRILL, no patient", False: "real", None: "drill or real not said"}
        told = "; ".join(f"{words[kind]}: {count}" for kind, count in kinds.items())
        mixed = "" if len(kinds) == 1 else ": counted together here, compare like with like"
        yield Cell(f"{told}{mixed}", link="cases")

    def _checked(self) -> Iterator[Cell]:
        altered = [each for each in self.cases if each.summary.altered]
        for each in altered:
            yield Cell(clean(f"{named(each)}: {each.summary.checked}"))
        if not altered:
            yield Cell("Every case was checked: its facts are as they were stored.")
        if self._copies:
            count = len(self._copies)
            copies = (
                "1 copy of a case that is" if count == 1 else f"{count} copies of cases that are"
            )
            yield Cell(f"Not counted: {copies} here already")

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        yield "Cases", Cell(str(len(self.cases)), link="cases")
        for key, words in (
            ("clean", "Clean loops, of all orders"),
            ("late", "Orders answered late"),
            ("put_right", "Put right after a wrong read-back"),
            ("by_another", "Answered by another"),
            ("never", "Orders never answered rightly"),
        ):
            yield words, self._numbers.share(self.everything, key)
        median = self.everything.median("read_back")
        yield "Median time to read-back, orders", self._numbers.cell(median, self.cases, "call")
        yield "Clean, of announcements and reports", self._numbers.others(self.everything)
        for key, title in (
            ("unanswered", "Calls never answered: orders, announcements and reports"),
            ("finding", "Rules and limits broken"),
        ):
            total = sum(counted(each.summary, key) for each in self.cases)
            yield title, self._numbers.cell(str(total), self.cases, key)

    def _sections(self, words: bool) -> Iterator[Section]:
        yield Section("numbers", "In short", (Tiles(tuple(self._headline())),))
        trends: tuple[Part, ...] = tuple(
            trend(self.cases, name, title, self._numbers, join_teams=self._join_teams)
            for name, title in SHARES
            if name in TRENDS
        )
        yield Section(
            "trend",
            "Over time",
            trends,
            "Shares of orders. A point for each case with its interval by Wilson; a line joins cases of one"
            f" protocol and one scenario{'' if self._join_teams else ', of one team'}. One whose scenario"
            " nobody named is joined to none.",
        )
        for index, (title, groups) in enumerate(self.groups):
            yield Section(f"groups{index}", title, tuple(self._tables.compared(groups)))
        yield Section(
            "together",
            "All together",
            (self._tables.shares((self.everything,)), *self._tables.times(self.everything)),
        )
        told = (self._list(), self._behind()) if words else (self._list(),)
        yield Section("cases", "The cases", told)
        if self.damaged:
            rows = tuple(
                (plain(clean(name)), plain(clean(why))) for name, why in self.damaged.items()
            )
            yield Section("damaged", "Left out", (Grid("Left out", ("case", "why"), rows),))

    def _list(self) -> Grid:
        return Grid(
            "The cases",
            (
                *(
                    "began",
                    "team",
                    "case folder",
                    "kind",
                    "scenario",
                    "lasted",
                    "clean",
                    "read back in",
                ),
                *("no answer", "differs", "rules", "attempts"),
            ),
            tuple(self._listed(each) for each in self.cases),
            note="Began: local time of the case, with its zone. Clean: loops of orders. Read back in: the"
            " median of orders, with its interval. No answer: calls of any kind; differs: orders read back"
            f" with another value; rules: rules and limits broken. {RESOLUTION}",
        )

    def _listed(self, case: ListedCase) -> tuple[Cell, ...]:
        one = case.summary
        clean_loops, total = one.shares["clean"]

        def led(text: str, key: str = "") -> Cell:
            return Cell(text, link=self._numbers.place(case, key))

        return (
            led(_began(case)),
            plain(clean(case.team)),
            led(clean(one.case)),
            plain(DRILL_WORDS[one.drill]),
            plain(clean(one.scenario) or "not named"),
            led(clock(one.lasted_s)),
            led(f"{clean_loops} of {total}", "clean"),
            led(time_in_words(observations(one.read_back)), "call"),
            *(
                led(str(counted(one, key)), key)
                for key in ("unanswered", "differed", "finding", "attempt")
            ),
        )

    def _behind(self) -> Behinds:
        read = partial(words_of, self._passphrase)
        folders = [each.folder for each in self.cases]
        words: dict[Path, dict[int, Said] | str] = {
            done.item: done.failure if done.result is None else done.result
            for done in spread(read, folders, "reading words")
        }
        cases = tuple(
            behind(
                number,
                f"{each.summary.began[:10]} {named(each)}".strip(),
                each.summary,
                words[each.folder],
            )
            for number, each in enumerate(self.cases, 1)
        )
        keys = dict.fromkeys(key for each in self.cases for key in keys_of(each.summary))
        return Behinds("What these numbers count", cases, tuple(keys))


def _in_time(case: ListedCase) -> tuple[bool, float, str]:
    """Return a sort key: by the moment at which cases began, whatever their zones; those without last."""
    began = case.began
    return began is None, began.timestamp() if began else 0.0, case.summary.case


def _began(case: ListedCase) -> str:
    """When a case began, in the local time of its place, with the zone named."""
    began = case.began
    return "no date" if began is None else f"{began:%Y-%m-%d %H:%M} {zone_in_words(began)}"


def _numbers(group: Group) -> dict[str, Any]:
    """Return a group as plain values."""
    found = {name: group.share(name) for name in NAMES}
    told, between = group.share("clean", others=True)
    times = curve(group.times("read_back"))
    return {
        "cases": len(group.cases),
        "shares": {name: _share(*each) for name, each in found.items()},
        "announcements": {"clean": _share(told, between)},
        "read_back": {
            "watched": times.total,
            "came": times.seen,
            "median_s": times.median,
            "in_words": group.median("read_back"),
            "resolution_s": RESOLUTION_S,
        },
    }


def _share(found: Share, between: str) -> dict[str, Any]:
    """`interval` says what lies from `low` to `high`."""
    return {
        "count": found.count,
        "total": found.total,
        "low": found.low,
        "high": found.high,
        "interval": between,
    }
