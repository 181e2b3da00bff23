"""The debrief of one case: an agenda for the educator's twenty minutes, the score, numbers, the log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.protocol.model import decimal
from grammar.reports.measures import Measures
from listener.storage.case_reader import StoredCase
from tui.pages.debrief.agenda import AROUND_S, agenda, aims
from tui.pages.debrief.capping import ITEMS, capped, only_first
from tui.pages.debrief.communication import communication_parts
from tui.pages.debrief.content import Cell, Debrief, Grid, Item, Items, Section, share_cell
from tui.pages.debrief.gone_through import GoneThrough, facts_of
from tui.pages.debrief.in_words import time_in_words
from tui.pages.debrief.logbook import logbook
from tui.pages.debrief.moments import AGAIN, FINDINGS, MARKS, UNANSWERED, Kind, Moment, badge
from tui.pages.debrief.notes import DebriefNote
from tui.pages.debrief.recorded import recorded
from tui.pages.debrief.signs_and_doses import signs_and_doses
from tui.pages.debrief.sound import clip
from tui.pages.debrief.story import story
from tui.pages.debrief.waiting import waiting_parts
from tui.pages.handover import check_code
from tui.pages.page import CAUTIONS
from tui.text.wall_clock import began_in_words
from tui.text.wording import clean, clock, heard, number


class CaseDebrief:
    """One stored case, gone through once; `debrief()` is what is shown of it."""

    def __init__(self, stored: StoredCase, notes: Sequence[DebriefNote], *, sound: bool) -> None:
        self.stored = stored
        self._case = GoneThrough(stored, notes)
        self._sound = sound

    @property
    def measures(self) -> Measures:
        """The case in numbers."""
        return self._case.measures

    @property
    def moments(self) -> tuple[Moment, ...]:
        """The moments that a debrief comes back to, in order of time."""
        return self._case.moments

    def debrief(self) -> Debrief:
        """Everything, in the order in which a team would go through it."""
        return capped(self._whole())

    def _whole(self) -> Debrief:
        case = self._case
        return Debrief(
            title=f"Debrief: {clean(case.protocol.protocol.title)}",
            about=tuple(self._about()),
            headline=tuple(self._headline()),
            sections=(
                Section(
                    "agenda",
                    "To talk about",
                    (agenda(case, sound=self._sound), aims(case)),
                    "Three moments for about twenty minutes, in order of time, one of them good. Listen"
                    " first, then ask; the team's own questions come before these.",
                ),
                Section("moments", "All that went otherwise", (self._items(), self._outside())),
                Section(
                    "story",
                    "The story",
                    story(case.protocol, case.view, case.moments),
                    "A lane for each station; a line leads from each call to what answered it. Touch or"
                    " tab to anything to see its words, and follow it to its line of the log.",
                ),
                Section("communication", "Communication", tuple(communication_parts(case))),
                Section("times", "Times", tuple(waiting_parts(case))),
                Section("signs", "Vital signs and doses", tuple(signs_and_doses(case))),
                Section(
                    "record", "The record", tuple(recorded(case.protocol, case.handover.record))
                ),
                Section("notes", "Marks and notes", (self._notes(),)),
                Section("log", "The log", (logbook(case.protocol, case.view, self.stored.facts),)),
            ),
            moments=case.begins,
            cautions=CAUTIONS,
        )

    def _about(self) -> Iterator[Cell]:
        view = self._case.view
        started = self._case.started
        begin = (started.seq,) if started else ()
        if view.drill is not None:
            yield Cell("DRILL: no patient" if view.drill else "Real case", begin)
        if started and started.scenario:
            yield Cell(f"Scenario: {clean(started.scenario)}", begin)
        if started and started.wall:
            yield Cell(f"Began {began_in_words(clean(started.wall))}", begin)
        weight = view.weight_kg
        kilos = f"{number(decimal(weight))} kg" if weight else "not entered"
        end = "" if view.ended is not None else ", broken off before its end"
        yield Cell(
            f"Lasted {clock(view.now)}{end}; times below count from its beginning", self._last()
        )
        yield Cell(f"Weight {kilos}", begin)
        if started:
            engine, source = clean(started.engine), clean(started.source)
            yield Cell(f"Heard by {engine or 'nobody'} from {source or 'nothing'}", begin)
        yield Cell(clean(self.stored.integrity.told), self._last())
        if self.stored.head:
            yield Cell(check_code(self.stored.head), self._last())

    def _last(self) -> tuple[int, ...]:
        """The fact with which the case ends."""
        return self._case.ends.last()

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        case, orders = self._case, self._case.measures.orders
        whole = facts_of(case.orders)
        yield "Clean loops, of all orders", share_cell(orders.clean, whole)
        for words, share in (
            ("Orders answered late", orders.late),
            ("Put right after a wrong read-back", orders.put_right),
            ("Answered by another", orders.by_another),
            ("Orders never answered rightly", orders.never),
        ):
            yield words, share_cell(share, whole)
        yield (
            "Median time to read-back, orders",
            Cell(time_in_words(case.measures.read_back), facts_of(case.measures.read_back)),
        )
        others = case.measures.others
        yield "Clean, of announcements and reports", share_cell(others.clean, facts_of(case.others))
        unheard = self._of(("unanswered",))
        yield "Calls of any kind never answered", Cell(str(len(unheard)), facts_of(unheard))
        broken = self._of(("finding",))
        yield "Rules and limits broken", Cell(str(len(broken)), facts_of(broken))

    def _of(self, kinds: Sequence[Kind]) -> list[Moment]:
        return [moment for moment in self._case.moments if moment.kind in kinds]

    def _items(self) -> Items:
        wanted = self._of((*FINDINGS, *UNANSWERED, *AGAIN))
        return Items(
            "All that went otherwise",
            tuple(self._item(moment) for moment in wanted[:ITEMS]),
            "Nothing: every call was answered rightly in its window, and no rule was broken.",
            only_first(ITEMS, len(wanted), "moments"),
        )

    def _outside(self) -> Grid:
        """Speech that was no call of the protocol: talk beside the matter, or what was not understood."""
        said = (line.utterance for line in self._case.view.log if line.utterance)
        return Grid(
            "Spoken outside the protocol",
            ("at", "heard as"),
            tuple(
                (Cell(clock(one.t), (one.fact,)), Cell(heard(one.text), (one.fact,)))
                for one in said
                if one.role == "unrecognised"
            ),
            "Talk beside the matter, or a call that was not understood: the sound tells which.",
        )

    def _notes(self) -> Items:
        return Items(
            "Marks and notes", tuple(self._item(moment) for moment in self._of(MARKS)), "none"
        )

    def _item(self, moment: Moment) -> Item:
        case = self._case
        spoken = [(case.begins[f], case.ends[f]) for f in moment.facts if f in case.begins]
        around = [(max(moment.t - AROUND_S, 0.0), moment.t + AROUND_S)]
        return Item(
            badge=badge(moment),
            urgent=moment.kind not in (*MARKS, *AGAIN),
            when=Cell(clock(moment.t), moment.facts[:1]),
            text=moment.text,
            detail=moment.detail,
            facts=moment.facts,
            sound=clip(self.stored, around if moment.kind in MARKS else spoken)
            if self._sound
            else "",
        )
