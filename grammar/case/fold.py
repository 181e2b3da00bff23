"""The fold: it takes facts and gives the state of the case.

    view = fold(protocol, facts, now)

`Case` is the same fold kept going: one more fact costs one step. An amendment, a withdrawal or a
confirmation changes what an earlier fact means, so the fold runs again from that fact on.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence

from grammar.case.amendments import (
    Amending,
    EffectiveFact,
    amended_facts,
    changes,
    effective,
    ended,
)
from grammar.case.checklist import begin
from grammar.case.facts import (
    NOT_RECORDED,
    AnsweredByHand,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Entered,
    Fact,
    Gap,
    Heard,
    Noted,
    Purged,
    RecordingSet,
    Resumed,
    Ticked,
    TimerChanged,
    VoiceAgreed,
    Warned,
    WeightSet,
    Withdrawn,
)
from grammar.case.manual_acts import (
    answered_by_hand,
    set_recording,
    set_weight,
    taken_back_line,
    tick,
    timer_changed,
    voice_agreed,
)
from grammar.case.manual_entry import heard_of, meaning_of
from grammar.case.sequence_rules import Judged
from grammar.case.state import State
from grammar.case.utterance_step import take_utterance
from grammar.case.view import HeardUpTo, OtherLine, Utterance, View
from grammar.case.viewing import known_at, view_of
from grammar.language.meaning import Meaning
from grammar.language.parse import Understanding, understanding_of
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from grammar.replacing import replaced

CHECKPOINT = 512
"""Facts between kept states. An amendment or a look back folds at most so many again."""

RECENT = 64
"""So many of the newest states are kept as well: what the listener adds to a fact (its doubt, whose voice
it was) comes a moment after it, and folds these again."""

LOOK_BACK = 256
"""Facts between states kept as they were known then: a look back folds no more than these."""


class Case:
    """The state of a case that goes on: each fact that is added is folded in. Add facts in the order of
    their `seq`.
    """

    def __init__(self, protocol: Protocol, understanding: Understanding | None = None) -> None:
        """`understanding` of the same protocol, where there is one already."""
        self.protocol = protocol
        self._understanding = understanding or understanding_of(protocol)
        self._facts: list[Fact] = []
        self._ends: list[float] = []
        """The latest end of any fact so far, for each fact."""
        self._amending: dict[int, Amending] = {}
        self._state = self._first()
        self._judged: Judged | None = None
        """The verdict of the rules at the last look; it holds until another event or the next due
        time."""
        self._kept: dict[int, State] = {0: self._state}
        self._past: dict[int, State] = {0: self._state}
        """States as they were known after so many facts; unlike `_kept`, never mended."""
        self._meanings: dict[int, tuple[tuple[Word, ...], Meaning]] = {}

    @property
    def facts(self) -> tuple[Fact, ...]:
        """Return all facts so far, in the order in which they were added."""
        return tuple(self._facts)

    @property
    def state(self) -> State:
        """Return the state after all facts so far."""
        return self._state

    def add(self, fact: Fact) -> Utterance | None:
        """Take one more fact. Returns the utterance that it became, or None where it is none."""
        self._facts.append(fact)
        self._ends.append(max(ended(fact), self._ends[-1] if self._ends else 0.0))
        if isinstance(fact, Amending):
            self._amending[fact.seq] = fact
            self._again_from(changes(self._amending, fact))
        else:
            self._state = self._step(self._state, EffectiveFact(fact))
            self._keep(len(self._facts), self._state)
        if len(self._facts) % LOOK_BACK == 0:
            self._past[len(self._facts)] = self._state
        line = self._state.log[-1] if self._state.log else None
        return line.utterance if line and line.fact == fact.seq else None

    def add_all(self, facts: Sequence[Fact]) -> None:
        """Take a whole case at once, before any other fact: each is folded once, as it stands in the end.

        `at` is then slower than after `add`, since no state is kept as it was known on the way.
        """
        self._facts = list(facts)
        latest = 0.0
        for fact in self._facts:
            latest = max(ended(fact), latest)
            self._ends.append(latest)
        self._amending = {fact.seq: fact for fact in self._facts if isinstance(fact, Amending)}
        changed = amended_facts(self._facts)
        state = self._state
        for count, fact in enumerate(self._facts, start=1):
            found = changed[fact.seq] if fact.seq in changed else EffectiveFact(fact)
            if found:
                state = self._step(state, found)
            self._keep(count, state)
        self._state = state

    def view(self, now: float, heard: HeardUpTo | None = None) -> View:
        """Return the case at `now`, with all facts so far; `heard` is how far hearing had come before they
        were looked at, None where nothing is still to be heard."""
        state, kept, known = self._state, self._judged, known_at(now, heard)
        if kept is None or kept.events is not state.events or not kept.since <= known < kept.until:
            kept = self._judged = Judged.at(self.protocol.rule, state.events, known)
        return view_of(self.protocol, state, now, judged=kept, heard=heard)

    def at(self, now: float) -> View:
        """Return the case as it stood at `now`, from the facts that had ended by then: `fold`, but
        quicker.

        It takes up a state kept in the past, and folds what is missing.
        """
        # Facts come nearly in the order of their ends; where channels overlap, some end out of turn.
        count = bisect_right(self._ends, now)
        late = [f for f in self._facts[count:] if ended(f) <= now]
        known = [*self._facts[:count], *late]
        amending = {f.seq: f for f in self._amending.values() if ended(f) <= now}
        start = max(kept for kept in self._past if kept <= count)
        while (earlier := self._kept_before(known, amending, start)) < start:
            start = earlier
        state = self._past[start]
        standing = effective(known[start:]) if amending else None
        for fact in known[start:]:
            found = standing.get(fact.seq) if standing is not None else EffectiveFact(fact)
            if found:
                state = self._step(state, found)
        return view_of(self.protocol, state, now)

    def _kept_before(
        self, known: Sequence[Fact], amending: Mapping[int, Amending], start: int
    ) -> int:
        """Return the state kept at `start` facts, or one before the first fact that later ones
        amend."""
        floor = known[start].seq if start < len(known) else len(self._facts) + 1
        spoken_of = (changes(amending, f) for f in amending.values() if f.seq >= floor)
        # A fact spoken of need not be known yet itself: then there is nothing to fold again.
        at = bisect_left(known, min(spoken_of, default=floor), key=lambda fact: fact.seq)
        return max(kept for kept in self._past if kept <= min(at, start))

    def _first(self) -> State:
        return State(checklists=tuple(begin(checklist) for checklist in self.protocol.checklist))

    def _keep(self, count: int, state: State) -> None:
        self._kept[count] = state
        gone = count - RECENT
        if gone > 0 and gone % CHECKPOINT:
            self._kept.pop(gone, None)

    def _again_from(self, target: int) -> None:
        """Fold again from the fact `target` on, each fact as it now stands.

        Other threads read `_state` meanwhile: it is assigned once, when all is folded.
        """
        at = bisect_left(self._facts, target, key=lambda fact: fact.seq)
        if at == len(self._facts) or self._facts[at].seq != target:
            at = 0
        start = max(count for count in self._kept if count <= at)
        state = self._kept[start]
        self._kept = {count: kept for count, kept in self._kept.items() if count <= start}
        # What stands before `start` is in the state kept there, whatever was said of it since.
        standing = effective(self._facts[start:])
        for count, fact in enumerate(self._facts[start:], start=start + 1):
            found = standing.get(fact.seq)
            if found:
                state = self._step(state, found)
            self._keep(count, state)
        self._state = state

    def _step(self, state: State, standing: EffectiveFact) -> State:
        fact = standing.fact
        match fact:
            case CaseStarted():
                line = OtherLine(fact.t, fact.seq, "case", "case started")
                return replaced(
                    state,
                    weight_kg=fact.weight_kg,
                    drill=fact.drill,
                    recording=fact.recording,
                    channels=self._channels(fact),
                    log=state.log.plus(line),
                )
            case Heard():
                text, meaning = self._read(fact)
                return self._take(state, standing, heard=fact, text=text, meaning=meaning)
            case Entered():
                entry = heard_of(fact)
                meaning = meaning_of(self.protocol, fact)
                return self._take(state, standing, heard=entry, text=entry.text, meaning=meaning)
            case Noted():
                line = OtherLine(fact.t, fact.seq, "mark" if fact.mark else "note", fact.text)
                return replaced(state, log=state.log.plus(line))
            case Gap():
                lost = f"nothing heard for {fact.until - fact.t:.0f} s: {fact.reason}"
                return replaced(state, log=state.log.plus(OtherLine(fact.t, fact.seq, "gap", lost)))
            case VoiceAgreed():
                return voice_agreed(self.protocol, state, fact)
            case AnsweredByHand():
                return answered_by_hand(self.protocol, state, fact)
            case TimerChanged():
                return timer_changed(state, fact)
            case Ticked():
                return tick(state, fact)
            case WeightSet():
                return set_weight(state, fact)
            case RecordingSet():
                return set_recording(state, fact)
            case Withdrawn():
                target = self._over_by(fact.t, fact.target)
                of = self._over_by(fact.t, target.target) if isinstance(target, Confirmed) else None
                return taken_back_line(self.protocol, state, fact, target=target, of=of)
            case Warned():
                line = OtherLine(fact.t, fact.seq, "warn", fact.text)
                recording = state.recording and fact.what != NOT_RECORDED
                return replaced(state, recording=recording, log=state.log.plus(line))
            case Resumed():
                line = OtherLine(fact.t, fact.seq, "case", "case taken up again")
                recording = fact.recording
                return replaced(state, recording=recording, ended=None, log=state.log.plus(line))
            case Purged():
                line = OtherLine(fact.t, fact.seq, "case", "the sound was removed")
                return replaced(state, recording=False, log=state.log.plus(line))
            case CaseEnded():
                line = OtherLine(fact.t, fact.seq, "case", "case ended")
                return replaced(state, ended=fact.t, log=state.log.plus(line))
            case _:
                return state

    def _over_by(self, t: float, seq: int) -> Fact | None:
        """Return the fact of a number, one that a person takes back at `t`; None where it was not over by
        then, and so not known."""
        at = bisect_left(self._facts, seq, key=lambda known: known.seq)
        found = self._facts[at] if at < len(self._facts) else None
        return found if found and found.seq == seq and ended(found) <= t else None

    def _latest_before(self, seq: int) -> float:
        """Return the latest end of the facts told before that one, seconds; 0 where there were none."""
        before = bisect_left(self._facts, seq, key=lambda known: known.seq)
        return self._ends[before - 1] if before else 0.0

    def _take(
        self, state: State, standing: EffectiveFact, *, heard: Heard, text: str, meaning: Meaning
    ) -> State:
        return take_utterance(
            self._understanding,
            state,
            standing,
            heard=heard,
            text=text,
            meaning=meaning,
            latest_s=self._latest_before(heard.seq),
        )

    def _read(self, fact: Heard) -> tuple[str, Meaning]:
        """Return the words of an utterance and their meaning. It is read once, which makes folding again
        many times cheaper."""
        known = self._meanings.get(fact.seq)
        if known is None or known[0] is not fact.words:
            meaning = self._understanding.read([word.text for word in fact.words])
            known = self._meanings[fact.seq] = (fact.words, meaning)
        return fact.text, known[1]

    def _channels(self, fact: CaseStarted) -> Mapping[int, str]:
        own = {s.channel: s.id for s in self.protocol.station if s.channel is not None}
        return {**own, **dict(fact.channels)}


def fold(protocol: Protocol, facts: Iterable[Fact], now: float) -> View:
    """Return the case at `now` from the facts up to then."""
    case = Case(protocol)
    for fact in facts:
        if ended(fact) <= now:
            case.add(fact)
    return case.view(now)
