"""Tells the acts of the person at the keyboard as facts. Nothing is ever changed or deleted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from datetime import datetime, timedelta

from grammar.case.amendments import taken_back
from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Entered,
    Fact,
    Noted,
    RecordingSet,
    Resumed,
    SpeakerSet,
    Ticked,
    TimerChanged,
    WeightSet,
    Withdrawn,
)
from grammar.case.manual_acts import MARK, in_words
from grammar.case.view import Utterance
from grammar.language.meaning import SlotValue
from grammar.protocol.model import Protocol
from listener.team.card_in_case import CardInCase
from listener.team.consent_in_case import ConsentInCase
from tui.text.moment import moment_in_words, past_moment

Acts = (
    Entered
    | Noted
    | Amended
    | Confirmed
    | AnsweredByHand
    | SpeakerSet
    | TimerChanged
    | Ticked
    | WeightSet
    | Withdrawn
)
"""Facts that can be taken back. Recording has its own key to be set again: the silence in between
is real."""


@dataclass(frozen=True)
class ManualEntry:
    """Stores what a person does. All of it may raise UserError where it cannot be stored.

    `tell` stores and folds a fact and gives the utterance it became; `facts` gives all there are;
    `clock` is the moment on the case's clock, in seconds; `play(start, end)` plays what was recorded.
    """

    protocol: Protocol
    tell: Callable[[Fact], Utterance | None]
    facts: Callable[[], Sequence[Fact]]
    clock: Callable[[], float]
    _: KW_ONLY
    play: Callable[[float, float], None] | None = None
    say: Callable[[str], None] | None = None
    """Says a sentence aloud; None where speech is not on."""
    wall: Callable[[], datetime] | None = None
    """The local time of day, for a case that does not say when it began; None where nobody knows it."""
    silent_because: str = ""
    """Why not, where it was wished for; "" otherwise."""
    read_card: Callable[[str], CardInCase] | None = None
    """Begins a card of a station's member, who said yes; None where no microphone hears the case."""
    hear_yes: Callable[[], ConsentInCase] | None = None
    """Listens for a yes that is said aloud; None where it is typed only."""

    def time_of_day(self) -> datetime | None:
        """Return the time of day at the present moment of the case, which stands still once that has
        ended; None where nobody knows it."""
        first = next(iter(self.facts()), None)
        try:
            began = datetime.fromisoformat(first.wall if isinstance(first, CaseStarted) else "")
        except ValueError:
            return self.wall() if self.wall else None
        return began + timedelta(seconds=self.clock())

    def past(self, text: str) -> float:
        """Return the moment that a person wrote, seconds on the case's clock. Raises ValueError where it is
        none, or not in the past."""
        return past_moment(text, self.clock(), self.time_of_day())

    def in_words(self, at: float) -> str:
        """Return a moment of the case by both clocks."""
        return moment_in_words(at, self.clock(), self.time_of_day())

    def read_as(self, text: str) -> str:
        """Return the moment that a written time will be taken for, as "= at 03:25"; "" where it is none."""
        try:
            return f"= {self.in_words(self.past(text))}"
        except ValueError:
            return ""

    @property
    def ended(self) -> bool:
        """Return whether the case has ended: its clock stands still."""
        last = (f for f in reversed(self.facts()) if isinstance(f, CaseEnded | Resumed))
        return isinstance(next(last, None), CaseEnded)

    def enter(
        self,
        call: str,
        slots: Sequence[tuple[str, SlotValue]],
        to: str | None = None,
        sender: str | None = None,
        at: float | None = None,
    ) -> Utterance | None:
        """Tell of a call that was made, with its slots, the station it was for and the one that made
        it, at `at` seconds on the case's clock; None: now."""
        entered = Entered(
            t=self.clock() if at is None else at,
            call=call,
            slots=_plain(slots),
            to=to,
            sender=sender,
        )
        return self.tell(entered)

    def start_timer(self, call: str, slots: Sequence[tuple[str, SlotValue]]) -> None:
        """Start a timer of the recorder's own: nobody called for it, so nobody has to read it back.

        Raises ValueError where one as long was just called and waits for its answer.
        """
        now = self.clock()
        said = self.tell(Entered(t=now, call=call, slots=_plain(slots)))
        if said and "repeat" in said.flags:
            self.tell(Withdrawn(t=now, target=said.fact))
            raise ValueError("that timer was called just now and runs already")
        if said and said.loop is not None:
            self.tell(AnsweredByHand(t=now, loop=said.loop, own_timer=True))

    def stop_timer(self, timer: int) -> None:
        """Store that a person stopped a timer, by the fact that started it."""
        self.tell(TimerChanged(t=self.clock(), timer=timer, change="stop"))

    def extend_timer(self, timer: int, seconds: float) -> None:
        """Store that a person made a timer longer, by so many seconds."""
        self.tell(TimerChanged(t=self.clock(), timer=timer, change="extend", seconds=seconds))

    def tick(self, checklist: str, item: str) -> None:
        """Store that a person ticked an item of a checklist."""
        self.tell(Ticked(t=self.clock(), checklist=checklist, item=item))

    def heard(self, loop: int, at: float | None = None) -> None:
        """Tell that the answer to a call was heard, or seen, at `at` seconds on the case's clock; None:
        now."""
        at = self.clock() if at is None else at
        self.tell(AnsweredByHand(t=at, loop=loop, own_timer=False))

    def note(self, text: str) -> None:
        """Store a free note."""
        self.tell(Noted(t=self.clock(), text=text))

    def mark(self) -> None:
        """Store a mark at this moment, for the debrief."""
        self.tell(Noted(t=self.clock(), text=MARK, mark=True))

    def accept(self, fact: int) -> None:
        """Store that an utterance was heard rightly."""
        self.tell(Confirmed(t=self.clock(), target=fact))

    def amend(self, fact: int, words: str) -> None:
        """Store that an utterance should have been heard as these words."""
        self.tell(Amended(t=self.clock(), target=fact, words=words))

    def withdraw(self, fact: int) -> None:
        """Store that a fact did not happen."""
        self.tell(Withdrawn(t=self.clock(), target=fact))

    def spoke(self, fact: int, station: str) -> None:
        """Store who spoke an utterance."""
        self.tell(SpeakerSet(t=self.clock(), target=fact, station=station))

    def weigh(self, weight_kg: float) -> None:
        """Store the patient's weight in kilograms."""
        self.tell(WeightSet(t=self.clock(), weight_kg=weight_kg))

    def record(self, *, on: bool) -> None:
        """Store that the recording is paused, or goes on."""
        self.tell(RecordingSet(t=self.clock(), on=on))

    def last_in_words(self, fact: int) -> str:
        """Return what was done last by hand, in words, where it is the fact of that number; else ""."""
        left = self._left()
        return self._act_in_words(left[-1]) if left and left[-1].seq == fact else ""

    def _left(self) -> list[Fact]:
        """Return all that was done by hand and can be taken back, in order."""
        facts = self.facts()
        gone = taken_back(facts)
        acts = [fact for fact in facts if isinstance(fact, Acts)]
        calls = {fact.seq: fact for fact in acts}
        # Taking back one's own act is not itself an act: undo goes on to the one before.
        return [
            fact
            for fact in acts
            if fact.seq not in gone
            and not (isinstance(fact, Withdrawn) and fact.target in calls)
            and not (isinstance(fact, AnsweredByHand) and _of_own_timer(fact, calls))
        ]

    def undo(self, past: int | None = None) -> str | None:
        """Take back what was done last, whatever its time. In words; None where there is nothing left to
        take back.

        Nothing is passed over without a word: where the recording was paused or taken up last,
        RecordingLast says so with that fact's number, and `past` is the number of the fact told so before.
        """
        left = self._left()
        last = left[-1] if left else None
        by_hand = (f for f in reversed(self.facts()) if isinstance(f, RecordingSet) and not f.audio)
        recording = next(by_hand, None)
        if recording and recording.seq > max((last.seq if last else 0), past or 0):
            raise RecordingLast(recording.seq, self._act_in_words(last) if last else "")
        if last is None:
            return None
        self.tell(Withdrawn(t=self.clock(), target=last.seq))
        return self._act_in_words(last)

    def _act_in_words(self, act: Fact) -> str:
        """Return what was done, in words."""
        of = (
            next((f for f in self.facts() if f.seq == act.target), None)
            if isinstance(act, Confirmed)
            else None
        )
        return in_words(self.protocol, act, of)


class RecordingLast(ValueError):
    """The last thing done by hand was to pause the recording, or to take it up again."""

    def __init__(self, fact: int, before: str) -> None:
        """`fact` is its number, `before` what was done before it, in words; "" where nothing was."""
        super().__init__("the recording was set last")
        self.fact, self.before = fact, before


def _of_own_timer(answered: AnsweredByHand, acts: Mapping[int, Fact]) -> bool:
    """Return whether an answer belongs to a timer of the recorder's own, started in the same act: that
    alone has to be taken back."""
    if answered.own_timer is not None:
        return answered.own_timer
    call = acts.get(answered.loop)
    unnamed = isinstance(call, Entered) and call.to is None and call.sender is None
    return unnamed and call is not None and call.t == answered.t and answered.seq == call.seq + 1


def _plain(slots: Sequence[tuple[str, SlotValue]]) -> tuple[tuple[str, str | float], ...]:
    return tuple((name, value if isinstance(value, str) else float(value)) for name, value in slots)
