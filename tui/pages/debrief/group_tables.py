"""Tables and curves of groups of cases, side by side: shares of orders, waits, times to read-back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.reports.measures import Observation, compare, curve
from tui.pages.debrief.behind import counted
from tui.pages.debrief.charts import survival
from tui.pages.debrief.communication import SHARES
from tui.pages.debrief.content import (
    Cell,
    Figure,
    Grid,
    Link,
    Part,
    plain,
)
from tui.pages.debrief.groups import SPREADS, Group, ListedCase, Numbers, named
from tui.pages.debrief.in_words import compared_in_words, not_ranked, ranked
from tui.pages.debrief.summary import wait_key
from tui.pages.debrief.waiting import RESOLUTION
from tui.text.wording import clean


class GroupTables:
    """Lays out what groups of cases come to; each number leads to the cases that it counts."""

    def __init__(self, cases: Sequence[ListedCase], numbers: Numbers) -> None:
        """`cases` are all that stand on the page; they give the order of the rows."""
        self._cases = cases
        self._numbers = numbers

    def shares(self, groups: Sequence[Group]) -> Grid:
        """Return the shares of orders, a column for each group."""
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
        others = (self._numbers.others(group) for group in groups)
        return Grid(
            "Orders",
            ("", *(clean(group.name) for group in groups)),
            ((plain("Cases"), *cases), *rows, (plain("Announcements and reports: clean"), *others)),
            note=f"Orders of all cases counted together. {SPREADS}",
        )

    def waits(self, groups: Sequence[Group]) -> Grid:
        """Return how long took what the protocol measures, and the attempts, a column for each group."""
        titles = dict.fromkeys(title for case in self._cases for title in case.summary.waits)
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
            ("length, how often", *(clean(group.name) for group in groups)),
            (*rows, (plain("Attempts on the airway"), *attempts)),
            note=f"Medians with their intervals; of few the lengths themselves. {SPREADS}",
        )

    def _wait(self, group: Group, title: str) -> Cell:
        observed = group.waits(title)
        if not observed:
            return plain("none")
        times = "once" if len(observed) == 1 else f"{len(observed)} times"
        told = f"{group.wait_median(title)}, {times}"
        return self._numbers.cell(told, group.cases, wait_key(title))

    def times(self, group: Group) -> Iterator[Part]:
        """Yield the waits of one group, the curve of its read-backs, and the times to a task done."""
        yield self.waits((group,))
        yield self._survival(group)
        closed, not_closed = (group.times(n) for n in ("done_closed", "done_not_closed"))
        yield Grid(
            "Time to task done",
            ("orders", "watched", "came", "median, 95 % interval"),
            (
                self._row(
                    "closed",
                    closed,
                    group.cases,
                    watched="order-closed",
                    came="done-closed",
                    median=group.median("done_closed"),
                ),
                self._row(
                    "not closed",
                    not_closed,
                    group.cases,
                    watched="order-open",
                    came="done-open",
                    median=group.median("done_not_closed"),
                ),
            ),
            found=self._numbers.cell(
                compared_in_words(compare(closed, not_closed)), group.cases, "order"
            ),
        )

    def compared(self, groups: Sequence[Group]) -> Iterator[Part]:
        """Yield the tables that set groups side by side, and a curve of read-backs for each."""
        yield self.shares(groups)
        rows = tuple(
            self._row(
                g.name,
                g.times("read_back"),
                g.cases,
                watched="call",
                came="answered",
                median=g.median("read_back"),
            )
            for g in groups
        )
        found = None
        if len(groups) == 2:
            one, other = groups
            times = one.times("read_back"), other.times("read_back")
            names = clean(one.name), clean(other.name)
            words = (
                compared_in_words(compare(*times), *names) if ranked(*times) else not_ranked(*names)
            )
            found = self._numbers.cell(words, (*one.cases, *other.cases), "call")
        yield Grid(
            "Orders: time to read-back",
            ("", "watched", "came", "median, 95 % interval"),
            rows,
            note=f"{RESOLUTION} {SPREADS}",
            found=found,
        )
        yield self.waits(groups)
        for group in groups:
            yield self._survival(group, clean(group.name))

    def _survival(self, group: Group, name: str = "") -> Figure:
        observed = group.times("read_back")
        longest = max((one.seconds for one in observed if one.seen), default=10.0)
        title = f"Orders: time to read-back{': ' if name else ''}{name}"
        behind_it = self._numbers.cell("", group.cases, "call")
        return survival(
            curve(observed), title, "an answer", longest=max(longest * 1.1, 10.0), behind=behind_it
        )

    def _row(
        self,
        name: str,
        observed: Sequence[Observation],
        cases: Sequence[ListedCase],
        *,
        watched: str,
        came: str,
        median: str,
    ) -> tuple[Cell, ...]:
        """Return a row; `watched`, `came`: the keys under which a case lists what counts as either."""
        return (
            plain(clean(name)),
            self._numbers.cell(str(len(observed)), cases, watched),
            self._numbers.cell(str(sum(one.seen for one in observed)), cases, came),
            self._numbers.cell(median, cases, watched),
        )
