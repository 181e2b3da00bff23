"""Several cases together: the trend over dates, before against after, team against team."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from markupsafe import Markup

from grammar.reports.measures import Observation, compare, curve, share
from tui.pages.debrief.behind import Said, behind, counted, keys_of, words_of
from tui.pages.debrief.charts import survival
from tui.pages.debrief.content import (
    Behinds,
    Cell,
    Debrief,
    Figure,
    Grid,
    Link,
    Part,
    Section,
    plain,
)
from tui.pages.debrief.drawing import dot, drawing, linked, path, rule, text
from tui.pages.debrief.groups import Group, Numbers, Told, named
from tui.pages.debrief.in_words import compared_in_words, median_in_words
from tui.pages.debrief.one_case import SHARES
from tui.pages.debrief.summary import as_json, observations, wait_key
from tui.pages.parallel_work import spread
from tui.text.wording import clean, clock, duration


class Together:
    """Many cases, in order of their dates."""

    def __init__(
        self,
        cases: Iterable[Told],
        damaged: Mapping[str, str],
        before: date | None,
        passphrase: str | None = None,
        copies: Sequence[tuple[Told, Told]] = (),
    ) -> None:
        """`damaged` names the folders that could not be read, with the reason."""
        self._passphrase = passphrase
        self._copies = tuple(copies)
        self.cases = tuple(sorted(cases, key=lambda each: (each.summary.began, each.summary.case)))
        self.damaged = dict(sorted(damaged.items()))
        self.everything = Group("all", self.cases)
        self.groups = tuple(self._groups(before))
        self._numbers = Numbers(self.cases)

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
        """Everything about them; `words`: with those that the numbers lead to, read from each case."""
        dates = [each.summary.began[:10] for each in self.cases if each.summary.began]
        span = f", {' to '.join(dict.fromkeys((dates[0], dates[-1])))}" if dates else ""
        cases = "1 case" if len(self.cases) == 1 else f"{len(self.cases)} cases"
        left_out = f"; {len(self.damaged)} left out, named below" if self.damaged else ""
        return Debrief(
            title=f"Debrief of {cases}",
            about=(Cell(f"{cases}{span}{left_out}", link="cases"), *self._checked()),
            headline=tuple(self._headline()),
            sections=tuple(self._sections(words)),
        )

    def json(self) -> dict[str, Any]:
        """The numbers as plain values."""
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

    def _checked(self) -> Iterator[Cell]:
        altered = [each for each in self.cases if each.summary.altered]
        for each in altered:
            yield Cell(clean(f"{named(each)}: {each.summary.checked}"))
        if not altered:
            yield Cell("Every case was checked: its facts are as they were stored.")
        if self._copies:
            yield Cell(
                f"{len(self._copies)} copies of cases that are here already count for nothing"
            )

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        yield "Cases", Cell(str(len(self.cases)), link="cases")
        yield "Calls closed", self._numbers.share(self.everything, "closed")
        times = curve(self.everything.times("read_back"))
        yield (
            "Half read back within",
            self._numbers.cell(median_in_words(times), self.cases, "call"),
        )
        for key, title in (("unanswered", "Never answered"), ("differed", "Read back differing")):
            total = sum(counted(each.summary, key) for each in self.cases)
            yield title, self._numbers.cell(str(total), self.cases, key)

    def _sections(self, words: bool) -> Iterator[Section]:
        trend: tuple[Part, ...] = tuple(
            _trend(self.cases, name, title, self._numbers)
            for name, title in SHARES
            if name in _TRENDS
        )
        yield Section("trend", "Over time", trend, "A point for each case, with its interval.")
        for index, (title, groups) in enumerate(self.groups):
            yield Section(f"groups{index}", title, tuple(self._compared(groups)))
        yield Section(
            "together", "All together", (self._shares((self.everything,)), *self._times())
        )
        told = (self._list(), self._behind()) if words else (self._list(),)
        yield Section("cases", "The cases", told)
        if self.damaged:
            rows = tuple(
                (plain(clean(name)), plain(clean(why))) for name, why in self.damaged.items()
            )
            yield Section("damaged", "Left out", (Grid("Left out", ("case", "why"), rows),))

    def _waits(self, groups: Sequence[Group]) -> Grid:
        """How long what the protocol measures took, and the attempts, group by group."""
        titles = dict.fromkeys(title for case in self.cases for title in case.summary.waits)
        rows = [
            (plain(clean(title)), *(self._wait(group, title) for group in groups))
            for title in titles
        ]
        attempts = (
            self._numbers.cell(
                str(sum(counted(case.summary, "attempt") for case in group.cases)),
                group.cases,
                "attempt",
            )
            for group in groups
        )
        return Grid(
            "Waits, limits and attempts",
            ("median length, how often", *(clean(group.name) for group in groups)),
            (*rows, (plain("Attempts on the airway"), *attempts)),
        )

    def _wait(self, group: Group, title: str) -> Cell:
        observed = group.waits(title)
        if not observed:
            return plain("none")
        median = curve(observed).median
        length = "not ended" if median is None else duration(round(median))
        times = "once" if len(observed) == 1 else f"{len(observed)} times"
        return self._numbers.cell(f"{length}, {times}", group.cases, wait_key(title))

    def _times(self) -> Iterator[Part]:
        yield self._waits((self.everything,))
        yield self._survival(self.everything)
        closed, not_closed = (self.everything.times(n) for n in ("done_closed", "done_not_closed"))
        yield Grid(
            "Time to task done",
            ("orders", "watched", "came", "median, 95 % interval"),
            (
                self._row("closed", closed, self.cases, "order-closed", "done-closed"),
                self._row("not closed", not_closed, self.cases, "order-open", "done-open"),
            ),
            found=self._numbers.cell(
                compared_in_words(compare(closed, not_closed)), self.cases, "order"
            ),
        )

    def _list(self) -> Grid:
        return Grid(
            "The cases",
            (
                *("began", "team", "case folder", "lasted", "closed", "half within"),
                *("no answer", "differs", "rules", "attempts"),
            ),
            tuple(self._listed(each) for each in self.cases),
            "Half within: the median time to read-back. No answer, differs, rules: calls never answered,"
            " read back with another value, rules and limits broken.",
        )

    def _listed(self, case: Told) -> tuple[Cell, ...]:
        one = case.summary
        closed, total = one.shares["closed"]
        times = curve(observations(one.read_back))
        median = "not reached" if times.median is None else f"{times.median:.1f} s"

        def led(text: str, key: str = "") -> Cell:
            return Cell(text, link=self._numbers.place(case, key))

        return (
            led(one.began[:10] or "no date"),
            plain(clean(case.team)),
            led(clean(one.case)),
            led(clock(one.lasted_s)),
            led(f"{closed} of {total}", "closed"),
            led(median, "call"),
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

    def _shares(self, groups: Sequence[Group]) -> Grid:
        cases = tuple(
            Cell(
                str(len(group.cases)),
                parts=tuple(Link(named(each), self._numbers.place(each)) for each in group.cases),
            )
            for group in groups
        )
        rows = (
            (plain(title), *(self._numbers.share(group, name) for group in groups))
            for name, title in SHARES
        )
        return Grid(
            "Calls that want an answer",
            ("", *(clean(group.name) for group in groups)),
            ((plain("Cases"), *cases), *rows),
            "Calls of all cases counted together; intervals by Wilson, as if calls were independent.",
        )

    def _compared(self, groups: Sequence[Group]) -> Iterator[Part]:
        yield self._shares(groups)
        rows = tuple(
            self._row(clean(g.name), g.times("read_back"), g.cases, "call", "answered")
            for g in groups
        )
        found = None
        if len(groups) == 2:
            one, other = groups
            compared = compare(one.times("read_back"), other.times("read_back"))
            words = compared_in_words(compared, clean(one.name), clean(other.name))
            found = self._numbers.cell(words, (*one.cases, *other.cases), "call")
        yield Grid(
            "Time to read-back", ("", "watched", "came", "median, 95 % interval"), rows, found=found
        )
        yield self._waits(groups)
        for group in groups:
            yield self._survival(group, clean(group.name))

    def _survival(self, group: Group, name: str = "") -> Figure:
        observed = group.times("read_back")
        longest = max((one.seconds for one in observed if one.seen), default=10.0)
        title = f"Time to read-back{': ' if name else ''}{name}"
        behind_it = self._numbers.cell("", group.cases, "call")
        return survival(curve(observed), title, "an answer", max(longest * 1.1, 10.0), behind_it)

    def _row(
        self, name: str, observed: Sequence[Observation], cases: Sequence[Told], *keys: str
    ) -> tuple[Cell, ...]:
        """`keys`: what counts as watched, and as come."""
        found = curve(observed)
        watched, came = keys
        return (
            plain(name),
            self._numbers.cell(str(found.total), cases, watched),
            self._numbers.cell(str(found.seen), cases, came),
            self._numbers.cell(median_in_words(found), cases, watched),
        )


_TRENDS = ("closed", "directed", "differed")


def _trend(cases: Sequence[Told], name: str, title: str, numbers: Numbers) -> Figure:
    """A share of each case over its date, with the interval of each."""
    width, left, right, top, bottom = 720.0, 64.0, 704.0, 12.0, 162.0
    dated = [(began.timestamp(), case) for case in cases if (began := case.began)]
    first = min((t for t, _ in dated), default=0.0)
    span = max(max((t for t, _ in dated), default=1.0) - first, 1.0)

    def parts() -> Iterator[Markup]:
        def y(value: float) -> float:
            return bottom - (bottom - top) * value

        for value in (0.0, 0.25, 0.5, 0.75, 1.0):
            yield rule(left, y(value), right, y(value), "grid")
            yield text(left - 6, y(value) + 4, f"{100 * value:.0f} %", "small", "end")
        line = []
        for t, case in dated:
            found = share(*case.summary.shares[name])
            if found.value is None:
                continue
            x = left + 8 + (right - left - 16) * (t - first) / span
            if len(dated) <= 60:  # more would hide the points
                yield rule(x, y(found.low), x, y(found.high), "spread")
            yield linked(
                numbers.place(case, name),
                f"{case.summary.began[:10]} {named(case)}: {found.count} of {found.total}",
                [dot(x, y(found.value), "value", 3 if len(dated) <= 200 else 1.6)],
            )
            line.append((x, y(found.value)))
        if 1 < len(line) <= 60:
            yield path("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in line), "trend")
        for at, anchor in ((0, "start"), (-1, "end")):
            if dated:
                when = dated[at][1].summary.began[:10]
                yield text(left if at == 0 else right, bottom + 16, when, "small", anchor)

    told = f"{title}, of {len(dated)} cases with a date; values in the list of cases."
    return Figure(title, drawing(width, bottom + 24, title, parts()), Cell(told, link="cases"))


def _numbers(group: Group) -> dict[str, Any]:
    """A group as plain values."""
    found = {name: group.share(name) for name, _ in SHARES}
    times = curve(group.times("read_back"))
    return {
        "cases": len(group.cases),
        "shares": {
            name: {"count": s.count, "total": s.total, "low": s.low, "high": s.high}
            for name, s in found.items()
        },
        "read_back": {
            "watched": times.total,
            "came": times.seen,
            "median_s": times.median,
            "low_s": times.median_low,
            "high_s": times.median_high,
        },
    }
