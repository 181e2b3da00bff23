"""The record of a case: attempts, what was placed, capnography, the lowest saturation, plans."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grammar.case.airway_record import Record, record_of
from grammar.case.facts import CaseStarted, Fact, Heard, Withdrawn
from grammar.case.fold import Case
from grammar.language.words import Word
from grammar.protocol.loading import (
    ProtocolError,
    load_protocol,
    parse_protocol,
    shipped,
    source_text,
)
from grammar.protocol.tables import VALUED


def case_of(*said: str | Fact, protocol: str = "isolation-airway", every: float = 10) -> Case:
    """A case in which these sentences were said, the first at 10 s, one each 10 s."""
    case = Case(load_protocol(protocol))
    case.add(CaseStarted(seq=1, protocol=protocol, weight_kg=70))
    for seq, one in enumerate(said, start=2):
        case.add(replace(one, seq=seq) if not isinstance(one, str) else heard(seq, one, every))
    return case


def heard(seq: int, text: str, every: float) -> Heard:
    t = (seq - 1) * every
    words = tuple(Word(w, t + 0.2 * i, t + 0.2 * (i + 1)) for i, w in enumerate(text.split()))
    return Heard(seq=seq, t=t, until=t + 0.2 * len(words), words=words)


def record(*said: str | Fact, protocol: str = "isolation-airway") -> Record:
    case = case_of(*said, protocol=protocol)
    return record_of(case.protocol, case.view(1000))


def outcomes(found: Record) -> list[str]:
    return [one.outcome for one in found.attempts]


def test_two_attempts_with_what_each_used_and_saw_and_how_it_ended() -> None:
    found = record(
        "using the direct laryngoscope",
        "starting first attempt",
        "copy",
        "view grade three",
        "sats eighty eight",
        "attempt abandoned",
        "using the video laryngoscope",
        "second attempt",
        "copy",
        "grade one view",
        "tube passed",
        "capnography confirmed",
        "tube size seven point five",
        "tube at twenty two",
    )
    first, second = found.attempts
    assert (first.outcome, first.length_s) == ("abandoned", 40)
    assert first.device and first.device.value == "direct-laryngoscope"
    assert first.view and first.view.value == "grade-3"
    assert [sign.text for sign in first.lowest] == ["88"]
    assert first.confirmed is None
    assert (second.outcome, second.length_s) == ("placed", 30)
    assert second.device and second.device.value == "video-laryngoscope"
    assert second.view and second.view.value == "grade-1"
    assert second.confirmed and second.confirmed.t == 120
    assert second.lowest == ()
    assert found.size and str(found.size.value) == "7.5"
    assert found.depth and str(found.depth.value) == "22"


def test_the_lowest_saturation_is_that_of_the_whole_case_and_its_earliest() -> None:
    found = record("sats ninety", "sats eighty one", "sats ninety nine", "sats eighty one")
    assert [(sign.text, sign.t) for sign in found.lowest] == [("81", 20)]


def test_an_attempt_still_going_on_has_no_end() -> None:
    (only,) = record("starting first attempt").attempts
    assert (only.outcome, only.ended, only.length_s) == ("going on", None, None)


def test_a_next_attempt_without_a_word_on_the_first_leaves_its_outcome_not_said() -> None:
    assert outcomes(record("first attempt", "copy", "second attempt")) == ["not said", "going on"]


def test_an_attempt_called_after_the_window_of_one_that_nobody_answered_is_another() -> None:
    case = case_of("first attempt", "sats ninety", "attempt failed", "second attempt")
    assert outcomes(record_of(case.protocol, case.view(60))) == ["abandoned", "going on"]
    states = [(loop.call, loop.late) for loop, _ in case.view(60).loops if "start" in loop.call]
    assert states == [("attempt-started", False)] * 2


def test_an_attempt_read_back_in_its_window_or_with_a_copy_is_one() -> None:
    within = case_of("first attempt", "starting first attempt", every=5)
    assert outcomes(record_of(within.protocol, within.view(60))) == ["going on"]
    late = case_of(
        "first attempt", "sats ninety", "pressure ninety over sixty", "copy first attempt"
    )
    assert len(record_of(late.protocol, late.view(60)).attempts) == 1


def test_the_same_outcome_said_twice_is_one_attempt() -> None:
    assert outcomes(record("first attempt", "attempt failed", "coming out")) == ["abandoned"]
    assert outcomes(record("first attempt", "tube passed", "tube in")) == ["placed"]


def test_a_tube_taken_out_again_is_an_abandoned_attempt() -> None:
    (only,) = record("first attempt", "tube passed", "coming out").attempts
    assert only.outcome == "abandoned"
    assert only.placed is not None


def test_a_tube_whose_attempt_nobody_called_is_an_attempt_of_unknown_length() -> None:
    (only,) = record("tube passed").attempts
    assert (only.began, only.length_s, only.outcome) == (None, None, "placed")


def test_what_was_withdrawn_is_in_no_record() -> None:
    found = record("first attempt", "tube passed", Withdrawn(t=30, target=3), "plan bravo")
    assert outcomes(found) == ["going on"]
    assert [plan.value for plan in found.plans] == ["bravo"]


def test_a_disregarded_call_is_in_no_record_and_a_corrected_one_has_its_new_value() -> None:
    assert record("first attempt", "disregard").attempts == ()
    found = record("tube size seven", "correction tube size eight")
    assert found.size and str(found.size.value) == "8"


def test_a_cardiac_arrest_records_devices_without_attempts_and_its_milestones() -> None:
    found = record(
        "no pulse",
        "shock delivered",
        "copy",
        "supraglottic airway in",
        "waveform is flat",
        "tube passed",
        "capnography confirmed",
        "shock delivered",
        "we have a pulse",
        protocol="adult-arrest",
    )
    supraglottic, tube = found.attempts
    assert supraglottic.refuted is not None
    assert supraglottic.confirmed is None
    assert tube.confirmed is not None
    assert [event.call for event in found.events] == [
        "arrest-confirmed",
        "shock-delivered",
        "shock-delivered",
        "return-of-circulation",
    ]


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_protocol_says_what_belongs_to_the_record(name: str) -> None:
    roles = {call.record for call in load_protocol(name).call}
    assert {"placed", "confirmed", "event"} <= roles
    assert any(call.vital and call.vital.lowest for call in load_protocol(name).call)


@pytest.mark.parametrize("role", VALUED)
def test_a_role_that_records_a_value_wants_a_slot(role: str) -> None:
    text, _ = source_text("isolation-airway")
    wrong = text.replace('title = "Room ready"', f'title = "Room ready"\nrecord = "{role}"', 1)
    wrong = wrong.replace('record = "event"', "", 1)
    with pytest.raises(ProtocolError, match=r"room-ready.*needs a slot"):
        parse_protocol(wrong)
