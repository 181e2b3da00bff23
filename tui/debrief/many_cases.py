"""Several cases together: the trend over dates, before against after, team against team."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from markupsafe import Markup

from grammar.measures import Observation, Share, compare, curve, share
from tui.debrief.charts import survival
from tui.debrief.content import Cell, Debrief, Figure, Grid, Part, Section, plain, share_cell
from tui.debrief.drawing import dot, drawing, path, rule, text
from tui.debrief.in_words import compared_in_words, median_in_words
from tui.debrief.one_case import SHARES
from tui.debrief.summary import Summary, as_json, observations
from tui.wording import clean, clock


@dataclass(frozen=True, slots=True)
class Told:
    """A case in the list: its summary and the team that it belongs to."""

    summary: Summary
    team: str
    """The name of the folder that holds it."""

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


class Together:
    """Many cases, in order of their dates."""

    def __init__(
        self, cases: Iterable[Told], damaged: Mapping[str, str], before: date | None
    ) -> None:
        """`damaged` names the folders that could not be read, with the reason."""
        self.cases = tuple(sorted(cases, key=lambda each: (each.summary.began, each.summary.case)))
        self.damaged = dict(sorted(damaged.items()))
        self.everything = Group("all", self.cases)
        self.groups = tuple(self._groups(before))

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

    def debrief(self) -> Debrief:
        """Everything about them."""
        dates = [each.summary.began[:10] for each in self.cases if each.summary.began]
        span = f", {dates[0]} to {dates[-1]}" if dates else ""
        left_out = f"; {len(self.damaged)} left out, named below" if self.damaged else ""
        return Debrief(
            title=f"Debrief of {len(self.cases)} cases",
            about=(f"{len(self.cases)} cases{span}{left_out}",),
            headline=tuple(self._headline()),
            sections=tuple(self._sections()),
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
        }

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        yield "Cases", Cell(str(len(self.cases)), link="cases")
        closed = self.everything.share("closed")
        yield "Calls closed", _led(share_cell(closed))
        times = curve(self.everything.times("read_back"))
        yield "Half read back within", Cell(median_in_words(times), link="cases")
        for name, title in (("unanswered", "Never answered"), ("differs", "Read back differing")):
            total = sum(each.summary.moments.get(name, 0) for each in self.cases)
            yield title, Cell(str(total), link="cases")

    def _sections(self) -> Iterator[Section]:
        trend: tuple[Part, ...] = tuple(
            _trend(self.cases, name, title) for name, title in SHARES if name in _TRENDS
        )
        yield Section("trend", "Over time", trend, "A point for each case, with its interval.")
        for index, (title, groups) in enumerate(self.groups):
            yield Section(f"groups{index}", title, tuple(_compared(groups)))
        yield Section("together", "All together", (*_shares((self.everything,)), *self._times()))
        yield Section("cases", "The cases", (self._list(),))
        if self.damaged:
            rows = tuple(
                (plain(clean(name)), plain(clean(why))) for name, why in self.damaged.items()
            )
            yield Section("damaged", "Left out", (Grid("Left out", ("case", "why"), rows),))

    def _times(self) -> Iterator[Part]:
        read = self.everything.times("read_back")
        yield _survival(read)
        closed, not_closed = (self.everything.times(n) for n in ("done_closed", "done_not_closed"))
        yield Grid(
            "Time to task done",
            ("orders", "watched", "came", "median, 95 % interval"),
            tuple(
                _row(name, found)
                for name, found in (("closed", closed), ("not closed", not_closed))
            ),
            compared_in_words(compare(closed, not_closed)),
        )

    def _list(self) -> Grid:
        rows = []
        for each in self.cases:
            one = each.summary
            count, total = one.shares["closed"]
            times = curve(observations(one.read_back))
            rows.append(
                (
                    plain(one.began[:10] or "no date"),
                    plain(clean(each.team)),
                    plain(clean(one.case)),
                    plain(clock(one.lasted_s)),
                    plain(f"{count} of {total}"),
                    plain("" if times.median is None else f"{times.median:.1f} s"),
                    plain(str(one.moments.get("unanswered", 0))),
                    plain(str(one.moments.get("differs", 0))),
                    plain(str(one.moments.get("finding", 0))),
                    plain(str(one.attempts)),
                )
            )
        return Grid(
            "The cases",
            (
                *("began", "team", "case folder", "lasted", "closed", "half within"),
                *("no answer", "differs", "rules", "attempts"),
            ),
            tuple(rows),
            "Half within: the median time to read-back. No answer, differs, rules: calls never answered,"
            " read back with another value, rules and limits broken. Debrief a case folder by itself to"
            " see the facts behind its row.",
        )


_TRENDS = ("closed", "directed", "differed")


def _led(cell: Cell) -> Cell:
    return Cell(cell.text, link="cases", fraction=cell.fraction)


def _shares(groups: Sequence[Group]) -> Iterator[Grid]:
    yield Grid(
        "Calls that want an answer",
        ("", *(f"{clean(group.name)} ({len(group.cases)} cases)" for group in groups)),
        tuple(
            (plain(title), *(_led(share_cell(group.share(name))) for group in groups))
            for name, title in SHARES
        ),
        "Calls of all cases counted together; intervals by Wilson, as if calls were independent.",
    )


def _compared(groups: Sequence[Group]) -> Iterator[Part]:
    yield from _shares(groups)
    rows = tuple(_row(clean(group.name), group.times("read_back")) for group in groups)
    note = ""
    if len(groups) == 2:
        one, other = groups
        found = compare(one.times("read_back"), other.times("read_back"))
        note = compared_in_words(found, clean(one.name), clean(other.name))
    yield Grid("Time to read-back", ("", "watched", "came", "median, 95 % interval"), rows, note)
    for group in groups:
        yield _survival(group.times("read_back"), clean(group.name))


def _survival(observed: Sequence[Observation], name: str = "") -> Figure:
    longest = max((one.seconds for one in observed if one.seen), default=10.0)
    title = f"Time to read-back{': ' if name else ''}{name}"
    return survival(curve(observed), title, "an answer", max(longest * 1.1, 10.0))


def _row(name: str, observed: Sequence[Observation]) -> tuple[Cell, ...]:
    found = curve(observed)
    numbers = (str(found.total), str(found.seen), median_in_words(found))
    return (plain(name), *(Cell(number, link="cases") for number in numbers))


def _trend(cases: Sequence[Told], name: str, title: str) -> Figure:
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
            yield dot(x, y(found.value), "value", 3 if len(dated) <= 200 else 1.6)
            line.append((x, y(found.value)))
        if 1 < len(line) <= 60:
            yield path("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in line), "trend")
        for at, anchor in ((0, "start"), (-1, "end")):
            if dated:
                when = dated[at][1].summary.began[:10]
                yield text(left if at == 0 else right, bottom + 16, when, "small", anchor)

    told = f"{title}, of {len(dated)} cases with a date; values in the list of cases."
    return Figure(title, drawing(width, bottom + 24, title, parts()), told)


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
