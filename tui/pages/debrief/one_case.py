"""The debrief of one case, put together from its measures, its record and its log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Literal

from grammar.case.amendments import ended
from grammar.case.facts import CaseStarted
from grammar.case.loops import Loop
from grammar.case.view import View
from grammar.protocol.model import Protocol, decimal
from grammar.reports.handover import Handover, handover
from grammar.reports.measures import (
    Communication,
    Curve,
    Measured,
    Measures,
    Observation,
    compare,
    curve,
    measure,
    of_announcements,
    of_orders,
)
from listener.storage.case_reader import StoredCase
from tui.pages.debrief.charts import survival, vitals_and_doses
from tui.pages.debrief.content import (
    Cell,
    Debrief,
    Grid,
    Item,
    Items,
    Part,
    Section,
    plain,
    share_cell,
)
from tui.pages.debrief.in_words import compared_in_words, median_in_words
from tui.pages.debrief.logbook import logbook
from tui.pages.debrief.moments import FINDINGS, KIND_WORDS, MARKS, UNANSWERED, Kind, Moment, moments
from tui.pages.debrief.notes import DebriefNote
from tui.pages.debrief.recorded import recorded
from tui.pages.debrief.sound import clip
from tui.pages.debrief.story import story
from tui.pages.handover import last_hash
from tui.pages.page import CAUTIONS
from tui.text.wording import amount, call_title, clean, clock, drug, duration, number, station

SHARES = (
    ("directed", "Directed at a station"),
    ("answered", "Answered in agreement"),
    ("closed", "Closed by an answer that was heard"),
    ("late", "Answered late"),
    ("differed", "Read back with another value"),
    ("repeated", "Called again"),
)


class CaseDebrief:
    """One stored case, gone through once; `debrief()` is what is shown of it."""

    def __init__(self, stored: StoredCase, notes: Sequence[DebriefNote], *, sound: bool) -> None:
        self.stored = stored
        self.protocol: Protocol = stored.protocol
        self.view: View = stored.view()
        self.measures: Measures = measure(self.protocol, self.view, stored.facts)
        self.handover: Handover = handover(self.protocol, self.view)
        self.moments = moments(self.protocol, self.view, notes)
        self._sound = sound
        self._begins = {fact.seq: fact.t for fact in stored.facts}
        self._ends = {fact.seq: ended(fact) for fact in stored.facts}
        self._calls = [loop for loop, state in self.view.loops if state != "withdrawn"]

    def debrief(self) -> Debrief:
        """Everything, in the order in which a team would go through it."""
        return Debrief(
            title=f"Debrief: {clean(self.protocol.protocol.title)}",
            about=tuple(self._about()),
            headline=tuple(self._headline()),
            sections=(
                Section("moments", "Moments that matter", (self._items(),)),
                Section(
                    "story",
                    "The story",
                    story(self.protocol, self.view, self.moments),
                    "A lane for each station; a line leads from each call to what answered it. Touch or"
                    " tab to anything to see its words, and follow it to its line of the log.",
                ),
                Section("communication", "Communication", tuple(self._communication())),
                Section("times", "Times", tuple(self._times())),
                Section("signs", "Vital signs and doses", tuple(self._signs())),
                Section(
                    "record", "The record", tuple(recorded(self.protocol, self.handover.record))
                ),
                Section("notes", "Marks and notes", (self._notes(),)),
                Section("log", "The log", (logbook(self.protocol, self.view, self.stored.facts),)),
            ),
            moments={seq: clock(t) for seq, t in self._begins.items()},
            cautions=CAUTIONS,
        )

    def _about(self) -> Iterator[Cell]:
        started = next((f for f in self.stored.facts if isinstance(f, CaseStarted)), None)
        begin = (started.seq,) if started else ()
        if self.view.drill is not None:
            kind = "DRILL: no patient" if self.view.drill else "Real case"
            yield Cell(kind, begin)
        if started and started.wall:
            yield Cell(f"Began {clean(started.wall).replace('T', ' ')}", begin)
        weight = self.view.weight_kg
        kilos = f"{number(decimal(weight))} kg" if weight else "not entered"
        end = "" if self.view.ended is not None else ", broken off before its end"
        yield Cell(f"Lasted {clock(self.view.now)}{end}", self._last())
        yield Cell(f"Weight {kilos}", begin)
        if started:
            engine, source = clean(started.engine), clean(started.source)
            yield Cell(f"Heard by {engine or 'nobody'} from {source or 'nothing'}", begin)
        yield Cell(clean(self.stored.integrity.told), self._last())
        if self.stored.head:
            yield Cell(last_hash(self.stored.head), self._last())

    def _last(self) -> tuple[int, ...]:
        """The fact with which the case ends."""
        last = max(self.stored.facts, key=lambda fact: (ended(fact), fact.seq), default=None)
        return (last.seq,) if last else ()

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        found = self.measures.communication
        yield "Calls closed", share_cell(found.closed, self._facts(self._calls))
        times = curve(self.measures.read_back)
        yield "Half read back within", self._median(times, self.measures.read_back)
        yield "Not answered in time", self._count(UNANSWERED)
        yield "Read back differing", self._count(("differs",))
        yield "Rules and limits broken", self._count(("finding",))

    def _count(self, kinds: Sequence[Kind]) -> Cell:
        found = [moment for moment in self.moments if moment.kind in kinds]
        return Cell(str(len(found)), _facts_of(found), () if found else self._facts(self._calls))

    @staticmethod
    def _facts(loops: Iterable[Loop]) -> tuple[int, ...]:
        return tuple(loop.fact for loop in loops)

    @staticmethod
    def _observed(observed: Iterable[Observation]) -> tuple[int, ...]:
        return tuple(dict.fromkeys(f for one in observed for f in one.facts))

    def _median(self, found: Curve, observed: Sequence[Observation]) -> Cell:
        facts = self._observed(observed)
        if found.median is None:
            return Cell("not reached" if observed else "no call", facts)
        return Cell(median_in_words(found), facts)

    # ------------------------------------------------------------------ moments

    def _items(self) -> Items:
        wanted = [m for m in self.moments if m.kind in FINDINGS or m.kind in UNANSWERED]
        return Items(
            "Moments that matter",
            tuple(self._item(moment) for moment in wanted),
            "Nothing to note: every call was answered in its window, and no rule was broken.",
        )

    def _notes(self) -> Items:
        wanted = [m for m in self.moments if m.kind in MARKS]
        return Items("Marks and notes", tuple(self._item(moment) for moment in wanted), "none")

    def _item(self, moment: Moment) -> Item:
        heard = [(self._begins[f], self._ends[f]) for f in moment.facts if f in self._begins]
        around = [(max(moment.t - 5, 0.0), moment.t + 5)] if moment.kind in MARKS else heard
        return Item(
            badge=KIND_WORDS[moment.kind],
            urgent=moment.kind not in MARKS,
            when=Cell(clock(moment.t), moment.facts[:1]),
            text=moment.text,
            detail=moment.detail,
            facts=moment.facts,
            sound=clip(self.stored, around) if self._sound else "",
        )

    # ------------------------------------------------------------------ measures

    def _communication(self) -> Iterator[Part]:
        whole = self._facts(self._calls)
        found = self.measures.communication
        orders, others = (of(self.protocol, self.view) for of in (of_orders, of_announcements))
        for title, part in (("Orders", orders), ("Announcements and reports", others)):
            facts = tuple(
                loop.fact
                for loop in self._calls
                if self.protocol.calls[loop.call].is_order == (part is orders)
            )
            yield Grid(
                title,
                ("", "calls, share, 95 % interval"),
                tuple((plain(n), share_cell(getattr(part, name), facts)) for name, n in SHARES),
                "Intervals by Wilson. Directed and closed as in El-Shafy et al., Journal of Surgical "
                "Education 2018: there 32.6 % of 387 orders were directed, 26.1 % closed."
                if part is orders
                else "Calls that inform and ask nobody to do anything; the study did not count them.",
            )
        yield Grid(
            "All calls that want an answer",
            ("", "calls, share, 95 % interval"),
            tuple(
                (plain(title), share_cell(getattr(found, name), whole)) for name, title in SHARES
            ),
            "Orders, announcements and reports together; intervals by Wilson.",
        )
        senders = {name: station(self.protocol, name) for name in self.measures.by_sender}
        yield self._grouped("Per station that called", self.measures.by_sender, senders, "sender")
        to = {name: station(self.protocol, name) for name in self.measures.by_addressee}
        yield self._grouped("Per station called", self.measures.by_addressee, to, "to")
        calls = {name: call_title(self.protocol, name) for name in self.measures.by_call}
        yield self._grouped("Per call", self.measures.by_call, calls, "call")
        yield self._speech()

    def _grouped(
        self,
        title: str,
        groups: Mapping[str, Communication],
        names: Mapping[str, str],
        attribute: Literal["sender", "to", "call"],
    ) -> Grid:
        rows = []
        for name, found in groups.items():
            whole = [x.fact for x in self._calls if (getattr(x, attribute) or "") == name]
            cells = (getattr(found, name_of) for name_of, _ in SHARES)
            rows.append(
                (
                    plain(names[name] or "not named"),
                    Cell(str(found.closed.total), tuple(whole)),
                    *(
                        Cell(str(share.count), share.facts, () if share.facts else tuple(whole))
                        for share in cells
                    ),
                )
            )
        head = ("", "calls", *(name_of for name_of, _ in SHARES))
        return Grid(title, head, tuple(rows))

    def _speech(self) -> Grid:
        found = self.measures.speech
        said = [line.utterance for line in self.view.log if line.utterance]
        everything = tuple(one.fact for one in said)
        calls = tuple(
            one.fact
            for one in said
            if one.role == "call" and one.call and "repeat" not in one.flags
        )
        rate = found.calls_per_minute
        rows = [
            ("Calls a minute", Cell("none" if rate is None else f"{rate:.1f}", calls)),
            ("Somebody spoke", Cell(duration(round(found.spoken_s)), everything)),
            ("Silence", Cell(duration(round(found.silence_s)), everything)),
        ]
        if found.overlap_s is not None:
            rows.append(("Two spoke at once", Cell(f"{found.overlap_s:.1f} s", everything)))
        if found.longest_silence is not None:
            begin, until = found.longest_silence
            near = tuple(
                one.fact
                for one in said
                if abs(one.until - begin) < 0.01 or abs(one.t - until) < 0.01
            )
            words = f"{duration(round(until - begin))} from {clock(begin)}"
            rows.append(("Longest silence", Cell(words, near or everything[:1])))
        return Grid("Speech", ("", ""), tuple((plain(name), cell) for name, cell in rows))

    def _times(self) -> Iterator[Part]:
        read, done = self.measures.read_back, self.measures.done
        longest = max((one.seconds for one in read if one.seen), default=10.0)
        found = curve(read)
        behind = Cell("", tuple(one.facts[0] for one in read))
        yield survival(found, "Time to read-back", "an answer", max(longest * 1.1, 10.0), behind)
        rows = [
            (plain("to the read-back"), *self._curve(found, read)),
            (plain("to the task done"), *self._curve(curve(done), done)),
            (
                plain("to the task done, orders closed"),
                *self._curve(curve(self.measures.done_closed), self.measures.done_closed),
            ),
            (
                plain("to the task done, orders not closed"),
                *self._curve(curve(self.measures.done_not_closed), self.measures.done_not_closed),
            ),
        ]
        compared = compare(self.measures.done_closed, self.measures.done_not_closed)
        orders = (*self.measures.done_closed, *self.measures.done_not_closed)
        yield Grid(
            "Median times, with those that never came counted",
            ("time", "watched", "came", "median, 95 % interval"),
            tuple(rows),
            found=Cell(compared_in_words(compared), self._observed(orders)),
        )
        yield _stretches("Phases", self.measures.phases)
        yield _stretches("Waits, limits and other times", self.measures.measured)

    def _curve(self, found: Curve, observed: Sequence[Observation]) -> tuple[Cell, ...]:
        facts = tuple(one.facts[0] for one in observed if one.facts)
        seen = tuple(one.facts[-1] for one in observed if one.seen and one.facts)
        return (
            Cell(str(found.total), facts),
            Cell(str(found.seen), seen, () if seen else facts),
            self._median(found, observed),
        )

    def _signs(self) -> Iterator[Part]:
        trends = self.handover.trends
        if trends or self.view.doses:
            yield vitals_and_doses(self.protocol, self.view, trends)
        rows = []
        for sign in self.measures.signs:
            trend = next(one for one in trends if one.id == sign.id)
            low, under = plain(""), self.measures.below.get(sign.id)
            if under is not None:
                words = duration(round(under.seconds)) if under.facts else "never"
                each = under.facts or tuple(one.fact for one in trend.signs)
                low = Cell(f"{words} below {number(under.threshold)}", each)
            first, last = trend.signs[0], trend.signs[-1]
            shown = (first, sign.lowest, sign.highest, last)
            rows.append(
                (
                    plain(f"{clean(sign.title)}, {clean(sign.unit)}"),
                    Cell(str(sign.called), tuple(one.fact for one in trend.signs)),
                    *(Cell(f"{one.text} at {clock(one.t)}", (one.fact,)) for one in shown),
                    low,
                )
            )
        yield Grid(
            "Vital signs called out",
            ("sign", "calls", "first", "lowest", "highest", "last", "time below a threshold"),
            tuple(rows),
            "Only what was called out is known; between calls the last value is taken to hold.",
        )
        yield Grid(
            "Doses reported given",
            ("at", "drug", "dose", "per kg", "ordered"),
            tuple(
                (
                    Cell(clock(dose.t), (dose.fact,)),
                    plain(drug(self.protocol, dose.drug)),
                    Cell(amount(dose.amount, dose.unit), (dose.fact,)),
                    Cell(
                        f"{number(dose.per_kg, 3)} {dose.unit}/kg"
                        if dose.per_kg is not None
                        else "",
                        (dose.fact,) if dose.per_kg is not None else (),
                    ),
                    Cell(clock(self._begins[dose.ordered_fact]), (dose.ordered_fact,))
                    if dose.ordered_fact in self._begins
                    else plain("no order heard"),
                )
                for dose in self.handover.doses
            ),
            "What was called out, never advice.",
        )


def _stretches(title: str, measured: Iterable[Measured]) -> Grid:
    rows = []
    for each in measured:
        for one in each.stretches:
            going = "" if one.ended is not None else ", not ended"
            length = Cell(duration(round(one.seconds)) + going, one.facts)
            rows.append((plain(clean(each.title)), Cell(clock(one.began), one.facts[:1]), length))
    return Grid(title, ("what", "from", "length"), tuple(rows))


def _facts_of(found: Iterable[Moment]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(fact for moment in found for fact in moment.facts))
