"""What a debrief measures of one drill, counted by hand from its script beside each number."""

from __future__ import annotations

from decimal import Decimal

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Gap, Heard
from grammar.case.fold import fold
from grammar.case.view import View
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.reports.measures import (
    Measured,
    Measures,
    below,
    communication,
    measure,
    measured,
    pooled,
    signs,
    speech,
    thresholds,
)
from grammar.reports.written_dialogue import judge, parse_dialogue

AIRWAY = load_protocol("isolation-airway")


def said(seq: int, t: float, words: str, channel: int = 1, sender: str | None = None) -> Heard:
    """An utterance of two seconds."""
    each = words.split()
    return Heard(
        seq=seq,
        t=t,
        until=t + 2,
        channel=channel,
        sender=sender,
        words=tuple(Word(word, t, t + 2) for word in each),
    )


def case(*lines: tuple[float, str], until: float) -> tuple[View, tuple[Fact, ...]]:
    """A drill of one channel; `seq` counts from 2."""
    facts: list[Fact] = [CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70)]
    facts += [said(seq, t, words) for seq, (t, words) in enumerate(sorted(lines), start=2)]
    facts.append(CaseEnded(seq=len(facts) + 1, t=until))
    return fold(AIRWAY, facts, until), tuple(facts)


def by_id(view: View) -> dict[str, Measured]:
    return {one.id: one for one in measured(AIRWAY, view)}


INDUCTION = (
    (0.0, "starting pre oxygenation"),
    (100.0, "starting pre oxygenation"),  # said again: it began at 0
    (170.0, "give seventy milligrams of ketamine"),
    (173.0, "seventy milligrams of ketamine"),
    (180.0, "ketamine in"),
    (185.0, "give seventy milligrams of rocuronium"),
    (188.0, "seventy milligrams of rocuronium"),
    (200.0, "rocuronium in"),
    (270.0, "starting attempt"),
    (273.0, "copy"),
    (300.0, "attempt abandoned"),
    (303.0, "copy"),
    (330.0, "starting attempt"),
    (350.0, "tube passed"),
)


def test_pre_oxygenation_and_the_wait_after_the_relaxant_are_measured_where_all_is_well() -> None:
    view, _ = case(*INDUCTION, until=400)
    found = by_id(view)
    assert [s.seconds for s in found["pre-oxygenation-time"].stretches] == [200]
    assert [s.seconds for s in found["relaxant-to-attempt"].stretches] == [70]
    assert found["pre-oxygenation-time"].stretches[0].facts == (2, 9)


def test_every_attempt_is_measured_with_its_length() -> None:
    attempts = by_id(case(*INDUCTION, until=400)[0])["attempt-length"]
    assert [s.seconds for s in attempts.stretches] == [30, 20]
    assert (attempts.total, attempts.longest) == (50, 30)


def test_phases_follow_one_another_and_one_that_comes_again_has_a_second_stretch() -> None:
    again = (380.0, "starting attempt")  # the tube had to come out
    view, facts = case(*INDUCTION, (333.0, "copy"), again, until=400)
    found = {one.id: one for one in measure(AIRWAY, view, facts).phases}
    assert found["preparing"].stretches == ()
    assert [(s.began, s.ended) for s in found["pre-oxygenating"].stretches] == [(0, 180)]
    assert [(s.began, s.ended) for s in found["induction"].stretches] == [(180, 270)]
    assert [(s.began, s.ended) for s in found["airway"].stretches] == [(270, 350), (380, 400)]
    assert sum(one.total for one in found.values()) == 400


def test_time_off_oxygen_ends_with_the_ventilator_too() -> None:
    view, _ = case(
        (10.0, "oxygen is off"),
        (13.0, "copy"),
        (30.0, "oxygen is on"),
        (50.0, "oxygen is off"),
        (95.0, "on the ventilator"),
        until=120,
    )
    off = by_id(view)["oxygen-off-time"]
    assert [s.seconds for s in off.stretches] == [20, 45]
    assert (off.total, off.longest) == (65, 45)


def test_the_attempts_are_those_of_the_record() -> None:
    view, facts = case(*INDUCTION, until=400)
    attempts = measure(AIRWAY, view, facts).attempts
    assert [(one.outcome, one.length_s) for one in attempts] == [("abandoned", 30), ("placed", 20)]


def test_what_still_lasts_is_measured_so_far_and_censored() -> None:
    view, _ = case((10.0, "starting attempt"), until=75)
    (going_on,) = by_id(view)["attempt-length"].stretches
    assert (going_on.ended, going_on.seconds, going_on.observed.seen) == (None, 65, False)


def test_a_call_taken_back_is_not_measured() -> None:
    view, _ = case((10.0, "starting attempt"), (13.0, "disregard"), until=75)
    assert by_id(view)["attempt-length"].stretches == ()


def test_what_repeats_is_measured_from_each_to_the_next() -> None:
    """A cardiac arrest's rhythm checks: the end of one cycle begins the next."""
    arrest = load_protocol("adult-arrest")
    lines = "".join(
        f'[[say]]\nt = {t}\nuntil = {t + 2}\nwords = "{words}"\n'
        for t, words in (
            (0, "cardiac arrest confirmed"),
            (120, "rhythm check"),
            (250, "rhythm check"),
        )
    )
    text = f'protocol = "adult-arrest"\nweight_kg = 70\nuntil = 300\n{lines}'
    _, view = judge(arrest, parse_dialogue(text, "drill"))
    cycles = {one.id: one for one in measured(arrest, view)}["rhythm-check-interval"]
    assert [(s.seconds, s.ended) for s in cycles.stretches] == [(120, 120), (130, 250), (50, None)]


def test_the_lowest_saturation_and_the_time_below_a_threshold() -> None:
    view, _ = case(
        (10.0, "sats ninety six"),
        (40.0, "sats eighty eight"),  # 30 s below 90
        (70.0, "sats eighty four"),  # 20 s below 90
        (90.0, "sats ninety"),  # at the threshold is not below it
        (110.0, "sats eighty nine"),  # 40 s, to the end
        until=150,
    )
    (saturation,) = signs(view)
    assert (saturation.called, saturation.lowest.values[0]) == (5, Decimal(84))
    assert (saturation.lowest.fact, saturation.highest.fact) == (4, 2)
    # Nobody said a value for 40 s after the last, which is longer than the 30 s before.
    assert (saturation.silence_s, saturation.silent_after.fact) == (40, 6)
    found = below(view, "saturation", Decimal(90))
    assert (found.seconds, found.known_s, found.facts) == (90, 140, (3, 4, 6))
    assert below(view, "heart-rate", Decimal(50)).known_s == 0
    assert thresholds(AIRWAY, view)["saturation"] == found


def test_calls_a_minute_leave_out_repeats_chatter_and_what_could_not_be_heard() -> None:
    view, facts = case(
        (0.0, "outside this is team leader timer sixty"),
        (5.0, "what is for lunch"),
        (10.0, "outside this is team leader timer sixty"),  # the same call again
        (20.0, "sats ninety six"),
        until=150,
    )
    gap = Gap(seq=99, t=60, until=90, reason="the device went away")
    found = speech(view, (*facts, gap))
    assert found.calls == 2
    assert found.listened_s == 120
    assert found.calls_per_minute == 1.0
    assert found.spoken_s == 8
    assert found.silence_s == 112
    assert found.longest_silence == (90, 150)


def test_people_speaking_over_each_other_are_heard_on_two_channels_and_never_on_one() -> None:
    facts = (
        CaseStarted(seq=1, protocol="isolation-airway"),
        said(2, 10, "sats ninety six", channel=1),
        said(3, 11, "pressure one thirty over eighty", channel=2),
        said(4, 11.5, "heart rate ninety", channel=3),
    )
    view = fold(AIRWAY, facts, 60)
    assert speech(view, facts).overlap_s == 2  # from 11 to 13, never one alone
    alone, of_one = case((10.0, "sats ninety six"), (11.0, "heart rate ninety"), until=60)
    assert speech(alone, of_one).overlap_s is None


def test_each_station_is_measured_for_what_it_called_and_for_what_it_was_asked() -> None:
    facts = (
        CaseStarted(seq=1, protocol="isolation-airway"),
        said(2, 0, "outside timer sixty", sender="team-leader"),
        said(3, 3, "sixty seconds", sender="outside"),
        said(4, 20, "anteroom send in the bougie", sender="team-leader"),
        said(5, 25, "room ready", sender="anteroom"),
    )
    found: Measures = measure(AIRWAY, fold(AIRWAY, facts, 60), facts)
    assert found.by_sender["team-leader"].answered.count == 1
    assert found.by_sender["team-leader"].answered.total == 2
    assert found.by_addressee["anteroom"].answered.count == 0
    assert "" not in found.by_addressee  # "room ready" is a report: stations are held to orders
    assert found.others.directed.total == 1
    assert found.by_call["start-timer"].closed.facts == (2,)


def test_the_shares_of_several_cases_are_those_of_all_their_calls() -> None:
    one = communication(case((0.0, "timer sixty"), (3.0, "sixty"), until=60)[0])
    other = communication(case((0.0, "timer sixty"), (9.0, "room ready"), until=60)[0])
    both = pooled([one, other])
    assert (both.answered.count, both.answered.total) == (1, 3)
    assert pooled([]).answered.value is None


def test_orders_are_compared_by_whether_their_loop_closed() -> None:
    view, facts = case(
        (0.0, "give seventy milligrams of ketamine"),
        (3.0, "seventy milligrams of ketamine"),
        (20.0, "ketamine in"),
        (30.0, "give seventy milligrams of rocuronium"),  # nobody reads it back
        (60.0, "rocuronium in"),
        until=100,
    )
    found = measure(AIRWAY, view, facts)
    assert [x.seconds for x in found.done_closed] == [20]
    assert [x.seconds for x in found.done_not_closed] == [30]
    assert len(found.done) == 2
