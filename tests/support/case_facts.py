"""Strategies for hypothesis: facts of a case, as a team, a recorder and a broken day make them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from hypothesis import strategies as st

from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Doubted,
    Entered,
    Fact,
    Gap,
    Heard,
    HeardOut,
    Noted,
    RecordingSet,
    SpeakerSet,
    Ticked,
    TimerChanged,
    Withdrawn,
    heard_out,
)
from grammar.language.words import Word

SENTENCES = (
    "drugs nurse give seventy milligrams of ketamine",
    "give seventy milligrams of ketamine",
    "give seventeen milligrams of ketamine",
    "give fifteen five zero milligrams of ketamine",
    "seventy milligrams of ketamine",
    "seventeen milligrams of ketamine",
    "seventy",
    "copy seventy",
    "correction eighty milligrams",
    "correction give eighty milligrams of ketamine",
    "negative seventy",
    "negative eighty",
    "negative",
    "affirm",
    "copy",
    "say again",
    "i say again give seventy milligrams of ketamine",
    "stand by",
    "disregard",
    "draw up seventy milligrams of rocuronium",
    "ketamine in",
    "ketamine one hundred in",
    "rocuronium in",
    "drugs in",
    "drugs ready",
    "timer sixty",
    "outside start the timer three minutes",
    "sixty",
    "timer complete",
    "sats ninety four",
    "correction sats eighty four",
    "pressure one thirty over eighty",
    "room ready",
    "this is anteroom room ready",
    "starting attempt",
    "attempt abandoned",
    "tube passed",
    "good trace",
    "plan bravo",
    "correction plan charlie",
    "suction on",
    "no leak",
    "checklist complete",
    "what is for lunch",
    "[unk]",
    "",
)

STATIONS = st.sampled_from(
    [None, "team-leader", "drugs-nurse", "airway-operator", "outside", "nobody"]
)
TARGETS = st.integers(0, 30)
ODD_VALUES = st.one_of(
    st.sampled_from(["ketamine", "rocuronium", "mg", "furlong", "bravo", "", "seventy"]),
    st.integers(-5, 500).map(float),
    st.floats(allow_nan=False, allow_infinity=False),
)


@st.composite
def heard(draw: st.DrawFn) -> Heard:
    words = draw(st.sampled_from(SENTENCES)).split()
    confidence = draw(st.sampled_from([1.0, 1.0, 1.0, 0.9, 0.2]))
    return Heard(
        t=0,
        until=0.3 * len(words),
        channel=draw(st.integers(1, 3)),
        words=tuple(Word(w, 0.3 * i, 0.3 * (i + 1), confidence) for i, w in enumerate(words)),
        sender=draw(STATIONS),
        doubts=draw(st.sampled_from([(), (), (), ("second-listener",)])),
    )


def by_hand() -> st.SearchStrategy[Fact]:
    """What a person at the keyboard adds, sensible or not."""
    slots = st.dictionaries(
        st.sampled_from(["drug", "amount", "unit", "duration_s", "percent", "plan", "colour"]),
        ODD_VALUES,
        max_size=4,
    ).map(lambda found: tuple(found.items()))
    calls = st.sampled_from(
        ["give-drug", "drug-given", "start-timer", "saturation", "switch-plan", "no-such-call"]
    )
    return st.one_of(
        st.builds(Amended, t=st.just(0.0), target=TARGETS, words=st.sampled_from(SENTENCES)),
        st.builds(Withdrawn, t=st.just(0.0), target=TARGETS),
        st.builds(Confirmed, t=st.just(0.0), target=TARGETS),
        st.builds(Doubted, t=st.just(0.0), target=TARGETS, reason=st.just("second-listener")),
        st.builds(heard_out, heard(), TARGETS),
        st.builds(AnsweredByHand, t=st.just(0.0), loop=TARGETS),
        st.builds(SpeakerSet, t=st.just(0.0), target=TARGETS, station=st.just("drugs-nurse")),
        st.builds(Entered, t=st.just(0.0), call=calls, slots=slots, sender=STATIONS, to=STATIONS),
        st.builds(Noted, t=st.just(0.0), text=st.just("a note"), mark=st.booleans()),
        st.builds(Gap, t=st.just(0.0), until=st.just(5.0), reason=st.just("the device went away")),
        st.builds(
            TimerChanged,
            t=st.just(0.0),
            timer=TARGETS,
            change=st.sampled_from(["stop", "extend"]),
            seconds=st.sampled_from([0.0, 60.0, -5.0]),
        ),
        st.builds(
            Ticked,
            t=st.just(0.0),
            checklist=st.sampled_from(["before-induction", "before-induction", "another"]),
            item=st.sampled_from(["suction", "mask-seal", "plans", "nothing"]),
        ),
        st.builds(RecordingSet, t=st.just(0.0), on=st.booleans()),
        st.builds(CaseEnded, t=st.just(0.0)),
    )


def moved(fact: Fact, seq: int, by: float) -> Fact:
    """The fact with its number, later by so many seconds."""
    match fact:
        case Heard() | HeardOut():
            words = tuple(replace(w, start=w.start + by, end=w.end + by) for w in fact.words)
            return replace(fact, seq=seq, t=by, until=fact.until + by, words=words)
        case Gap():
            return replace(fact, seq=seq, t=by, until=fact.until + by)
        case _:
            return replace(fact, seq=seq, t=by)


def numbered(steps: list[tuple[float, Fact]], weight_kg: float | None) -> tuple[Fact, ...]:
    """A case: its start, then each fact so many seconds after the one before."""
    found: list[Fact] = [CaseStarted(seq=1, protocol="isolation-airway", weight_kg=weight_kg)]
    t = 1.0
    for seq, (pause, fact) in enumerate(steps, start=2):
        found.append(moved(fact, seq, t))
        t = max(t, getattr(found[-1], "until", t)) + pause
    return tuple(found)


def cases(*others: st.SearchStrategy[Fact], most: int = 25) -> st.SearchStrategy[tuple[Fact, ...]]:
    """Cases of heard facts, and of `others`."""
    step = st.tuples(
        st.sampled_from([0.2, 1.0, 4.0, 9.0, 15.0, 70.0]), st.one_of(heard(), heard(), *others)
    )
    weights = st.sampled_from([None, 70.0, 12.5])
    build: Callable[..., tuple[Fact, ...]] = numbered
    return st.builds(build, st.lists(step, max_size=most), weights)
