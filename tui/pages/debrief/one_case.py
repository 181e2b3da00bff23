"""The debrief of one case: an agenda for the educator's twenty minutes, the score, numbers, the log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.protocol.model import decimal
from grammar.reports.measures import Measures
from listener.storage.case_reader import StoredCase
from tui.pages.debrief.agenda import AROUND_S, agenda, aims, chosen_moments, unclear_words
from tui.pages.debrief.analysed_case import AnalysedCase, facts_of
from tui.pages.debrief.capping import ITEMS, first_rows, only_first, section
from tui.pages.debrief.communication import by_another_cell, communication_parts
from tui.pages.debrief.content import Cell, Debrief, Grid, Item, Items, Part, Tiles, share_cell
from tui.pages.debrief.in_words import time_in_words
from tui.pages.debrief.logbook import logbook
from tui.pages.debrief.moments import AGAIN, FINDINGS, MARKS, UNANSWERED, Kind, Moment, badge
from tui.pages.debrief.notes import DebriefNote
from tui.pages.debrief.recorded import recorded
from tui.pages.debrief.signs_and_doses import signs_and_doses
from tui.pages.debrief.sound import clip
from tui.pages.debrief.story import story
from tui.pages.debrief.waiting import COUNTED, waiting_parts
from tui.pages.handover import check_code
from tui.pages.page import CAUTIONS
from tui.text.wall_clock import began_in_words
from tui.text.wording import clean, clock, heard, number

ELSE = "What else went otherwise"

EXPLAINED = (
    "An order asks somebody to do something; announcements and reports tell something. In brackets: how"
    " sure a share is (95 % interval by Wilson). Were this team heard in many more calls, its share could"
    " come out anywhere in that range. Of few calls it is wide, and a difference from another drill may be"
    " chance."
)


class CaseDebrief:
    """The debrief of one stored case."""

    def __init__(self, stored: StoredCase, notes: Sequence[DebriefNote], *, sound: bool) -> None:
        self.stored = stored
        self._case = AnalysedCase(stored, notes)
        self._sound = sound
        self._chosen = chosen_moments(self._case)

    @property
    def measures(self) -> Measures:
        """The case in numbers."""
        return self._case.measures

    @property
    def moments(self) -> tuple[Moment, ...]:
        """The moments that a debrief comes back to, in order of time."""
        return self._case.moments

    def debrief(self) -> Debrief:
        """Return everything, in the order in which a team would go through it, each list of it bounded."""
        case = self._case
        return Debrief(
            title=f"Debrief: {clean(case.protocol.protocol.title)}",
            about=tuple(self._about()),
            sections=(
                section(
                    "agenda",
                    "To talk about",
                    (agenda(case, self._chosen, sound=self._sound),),
                    "Three moments for about twenty minutes, in order of time, one of them good. Listen"
                    " first, then ask; the team's own questions come before these.",
                ),
                section("moments", ELSE, self._otherwise(), self._told_above()),
                section("objectives", "Objectives", (aims(case),)),
                section(
                    "story",
                    "The story",
                    story(case.protocol, case.view, case.moments),
                    "A lane for each station; a line leads from each call to what answered it. Touch or"
                    " tab to anything to see its words, and follow it to its line of the log.",
                ),
                section("numbers", "In short", (Tiles(tuple(self._headline()), EXPLAINED),)),
                section("communication", "Communication", communication_parts(case)),
                section("times", "Times", waiting_parts(case), COUNTED),
                section("signs", "Vital signs and doses", signs_and_doses(case)),
                section("record", "The record", recorded(case.protocol, case.handover.record)),
                section("notes", "Marks and notes", (self._notes(),)),
                section("log", "The log", (logbook(case.protocol, case.view, self.stored.facts),)),
            ),
            moments=case.begins,
            cautions=CAUTIONS,
        )

    def _otherwise(self) -> Iterator[Part]:
        yield self._items()
        yield self._outside()

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
        """Return the fact with which the case ends."""
        return self._case.ends.last()

    def _headline(self) -> Iterator[tuple[str, Cell]]:
        case, orders = self._case, self._case.measures.orders
        whole = facts_of(case.orders)
        yield "Clean loops, of all orders", share_cell(orders.clean, whole)
        yield "Orders answered late", share_cell(orders.late, whole)
        yield "Put right after a wrong read-back", share_cell(orders.put_right, whole)
        yield "Answered by another", by_another_cell(case, orders.by_another, case.orders)
        yield "Orders never answered rightly", share_cell(orders.never, whole)
        yield (
            "Median time from the end of an order to its read-back",
            Cell(time_in_words(case.measures.read_back), facts_of(case.measures.read_back)),
        )
        others = case.measures.others
        yield "Clean, of announcements and reports", share_cell(others.clean, facts_of(case.others))
        yield (
            "Never answered, of announcements and reports",
            share_cell(others.never, facts_of(case.others)),
        )
        broken = self._of(("finding",))
        yield "Rules and limits broken", Cell(str(len(broken)), facts_of(broken))

    def _of(self, kinds: Sequence[Kind]) -> list[Moment]:
        return [moment for moment in self._case.moments if moment.kind in kinds]

    def _items(self) -> Items:
        found = self._of((*FINDINGS, *UNANSWERED, *AGAIN))
        wanted = [moment for moment in found if moment not in self._chosen]
        above = len(found) > len(wanted)
        return Items(
            ELSE,
            tuple(self._item(moment) for moment in wanted[:ITEMS]),
            "Nothing else went otherwise."
            if above
            else "Nothing: every call was answered rightly in its window, and no rule was broken.",
            only_first(ITEMS, len(wanted), "moments"),
        )

    def _told_above(self) -> str:
        count = len(self._chosen)
        told = "The moment" if count == 1 else f"The {count} moments"
        verb = "is" if count == 1 else "are"
        return f"{told} above that went otherwise {verb} not told again." if count else ""

    def _outside(self) -> Grid:
        """Speech that was no call of the protocol: talk beside the matter, or what was not understood."""
        said = (line.utterance for line in self._case.view.log if line.utterance)
        outside = [one for one in said if one.role == "unrecognised"]
        return Grid(
            "Spoken outside the protocol",
            ("at", "heard as"),
            tuple(
                (Cell(clock(one.t), (one.fact,)), Cell(heard(one.text), (one.fact,)))
                for one in first_rows(outside)
            ),
            note="Talk beside the matter, or a call that was not understood: the sound tells which.",
            of=len(outside),
        )

    def _notes(self) -> Items:
        return Items(
            "Marks and notes", tuple(self._item(moment) for moment in self._of(MARKS)), "none"
        )

    def _item(self, moment: Moment) -> Item:
        case = self._case
        around = [(max(moment.t - AROUND_S, 0.0), moment.t + AROUND_S)]
        heard_at = around if moment.kind in MARKS else case.heard_at(moment, moment.facts)
        return Item(
            badge=badge(moment),
            urgent=moment.kind not in (*MARKS, *AGAIN),
            when=Cell(case.when(moment), moment.facts[:1]),
            text=moment.text,
            detail=moment.detail,
            facts=moment.facts,
            sound=clip(self.stored, heard_at) if self._sound else "",
            wrong=moment.is_wrong,
            perhaps=unclear_words(case, moment),
        )
