"""What a person adds to a case: amended, withdrawn, confirmed, answered and entered facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    CaseEnded,
    CaseStarted,
    Confirmed,
    Entered,
    Fact,
    Gap,
    Heard,
    Noted,
    SpeakerSet,
    Withdrawn,
)
from grammar.case.fold import Case, fold
from grammar.case.view import View
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


def heard(
    seq: int, t: float, text: str, sender: str | None = None, confidence: float = 1.0
) -> Heard:
    words = [
        Word(word, t + 0.3 * at, t + 0.3 * (at + 1), confidence)
        for at, word in enumerate(text.split())
    ]
    return Heard(seq=seq, t=t, until=words[-1].end, words=tuple(words), sender=sender)


START = CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70)
ORDER = heard(2, 2, "drugs nurse give ninety milligrams of ketamine", "team-leader")
READ_BACK = heard(3, 6, "ninety milligrams of ketamine", "drugs-nurse")
WRONG = heard(3, 6, "nineteen milligrams of ketamine", "drugs-nurse")


def view(protocol: Protocol, facts: Sequence[Fact], now: float = 10) -> View:
    case = Case(protocol)
    for fact in facts:
        case.add(fact)
    return case.view(now)


def states(found: View) -> list[str]:
    return [state for _, state in found.loops]


def derived(found: View) -> View:
    """The view without its log, in which both hearings stay readable."""
    return replace(found, log=())


def test_an_amended_fact_gives_what_it_would_have_given_had_it_been_heard_right(
    protocol: Protocol,
) -> None:
    mended = Amended(seq=4, t=9, target=3, words="ninety milligrams of ketamine")
    found = view(protocol, [START, ORDER, WRONG, mended])
    assert states(view(protocol, [START, ORDER, WRONG])) == ["differs"]
    assert derived(found) == derived(view(protocol, [START, ORDER, READ_BACK]))


def test_an_amended_order_changes_its_task_and_the_judgement_of_its_read_back(
    protocol: Protocol,
) -> None:
    mended = Amended(seq=4, t=9, target=2, words="drugs nurse give nineteen milligrams of ketamine")
    found = view(protocol, [START, ORDER, WRONG, mended])
    assert states(found) == ["closed"]
    assert [task.slots["amount"] for task, _ in found.tasks] == [19]


def test_what_was_heard_stays_readable_beside_its_amendment(protocol: Protocol) -> None:
    mended = Amended(seq=4, t=9, target=3, words="ninety milligrams of ketamine")
    case = Case(protocol)
    for fact in (START, ORDER, WRONG, mended):
        case.add(fact)
    line = next(line for line in case.view(10).log if line.fact == 3)
    assert line.text == "ninety milligrams of ketamine"
    assert line.utterance
    assert "amended" in line.utterance.flags
    assert WRONG in case.facts


def test_a_withdrawn_amendment_is_undone(protocol: Protocol) -> None:
    mended = Amended(seq=4, t=9, target=3, words="ninety milligrams of ketamine")
    undone = Withdrawn(seq=5, t=10, target=4)
    assert states(view(protocol, [START, ORDER, WRONG, mended, undone])) == ["differs"]


def test_the_later_of_two_amendments_counts(protocol: Protocol) -> None:
    first = Amended(seq=4, t=9, target=3, words="ninety milligrams of ketamine")
    second = Amended(seq=5, t=10, target=3, words="copy")
    assert states(view(protocol, [START, ORDER, WRONG, first, second])) == ["open"]


def test_a_withdrawn_fact_did_not_happen(protocol: Protocol) -> None:
    facts: list[Fact] = [START, ORDER, READ_BACK, Withdrawn(seq=4, t=9, target=3)]
    assert derived(view(protocol, facts)) == derived(view(protocol, [START, ORDER]))
    both = [*facts, Withdrawn(seq=5, t=9, target=2)]
    assert derived(view(protocol, both)) == derived(view(protocol, [START]))


def test_an_amendment_long_after_still_counts_from_its_own_place(protocol: Protocol) -> None:
    later = [heard(seq, 10.0 * seq, "sats ninety four") for seq in range(4, 400)]
    mended = Amended(seq=400, t=4000, target=3, words="ninety milligrams of ketamine")
    found = view(protocol, [START, ORDER, WRONG, *later, mended], 4001)
    plain = view(protocol, [START, ORDER, READ_BACK, *later], 4001)
    assert derived(found) == derived(plain)


def test_a_call_heard_with_doubt_has_no_effect_until_a_person_confirms_it(
    protocol: Protocol,
) -> None:
    unsure = heard(2, 2, "drugs nurse give ninety milligrams of ketamine", "team-leader", 0.2)
    assert not view(protocol, [START, unsure]).tasks
    confirmed = view(protocol, [START, unsure, Confirmed(seq=3, t=5, target=2)])
    assert [state for _, state in confirmed.tasks] == ["pending"]
    assert not confirmed.loops[0][0].unsure


def test_a_read_back_heard_with_doubt_closes_nothing_until_confirmed(protocol: Protocol) -> None:
    unsure = heard(3, 6, "ninety milligrams of ketamine", "drugs-nurse", 0.2)
    assert states(view(protocol, [START, ORDER, unsure])) == ["open"]
    sure = Confirmed(seq=4, t=9, target=3)
    assert states(view(protocol, [START, ORDER, unsure, sure])) == ["closed"]


def test_a_person_answers_for_what_was_not_heard(protocol: Protocol) -> None:
    found = view(protocol, [START, ORDER, AnsweredByHand(seq=3, t=8, loop=2)])
    loop, state = found.loops[0]
    assert state == "closed"
    assert loop.flags == ("by hand",)
    assert loop.answered == 8
    assert not loop.late
    late = view(protocol, [START, ORDER, AnsweredByHand(seq=3, t=40, loop=2)], 41)
    assert late.loops[0][0].late


def test_a_manual_answer_to_no_loop_changes_nothing(protocol: Protocol) -> None:
    found = view(protocol, [START, ORDER, AnsweredByHand(seq=3, t=8, loop=99)])
    assert states(found) == ["open"]


def test_naming_the_speaker_decides_who_answered(protocol: Protocol) -> None:
    nobody = replace(READ_BACK, sender=None)
    unknown = view(protocol, [START, ORDER, nobody])
    assert unknown.loops[0][0].flags == ("speaker unknown",)
    named: list[Fact] = [
        START,
        ORDER,
        nobody,
        SpeakerSet(seq=4, t=9, target=3, station="airway-operator"),
    ]
    assert view(protocol, named).loops[0][0].flags == ("by another",)
    caller: list[Fact] = [
        START,
        ORDER,
        nobody,
        SpeakerSet(seq=4, t=9, target=3, station="team-leader"),
    ]
    assert states(view(protocol, caller)) == ["open"]


def test_a_call_may_be_entered_at_the_keyboard(protocol: Protocol) -> None:
    entry = Entered(
        seq=2, t=2, call="give-drug", slots=(("drug", "ketamine"), ("amount", 90.0)), to="outside"
    )
    found = view(protocol, [START, entry])
    assert found.loops[0][0].slots == {"drug": "ketamine", "amount": 90, "unit": "mg"}
    assert [state for _, state in found.tasks] == ["pending"]


@pytest.mark.parametrize(
    "entry",
    [
        Entered(t=2, call="no-such-call"),
        Entered(t=2, call="give-drug"),
        Entered(t=2, call="give-drug", slots=(("drug", "unheard-of"), ("amount", 9.0))),
        Entered(t=2, call="give-drug", slots=(("drug", "ketamine"), ("amount", -1.0))),
        Entered(t=2, call="drug-given", slots=(("amount", 9.0),)),
        Entered(t=2, call="room-ready", slots=(("colour", "red"),)),
    ],
    ids=["no call", "nothing said", "no such drug", "below nothing", "of what", "no such slot"],
)
def test_an_entry_that_fits_no_call_is_kept_and_has_no_effect(
    protocol: Protocol, entry: Entered
) -> None:
    found = view(protocol, [START, replace(entry, seq=2)])
    assert not found.loops
    assert not found.tasks
    line = found.log[-1]
    assert line.utterance
    assert line.utterance.role == "unrecognised"


def test_a_fact_that_could_not_be_stored_cannot_be_made() -> None:
    # RFC 8259, section 6: Infinity and NaN are not JSON.
    with pytest.raises(ValueError, match="finite"):
        Entered(t=2, call="start-timer", slots=(("duration_s", float("inf")),))


def test_notes_marks_gaps_and_the_end_are_in_the_log(protocol: Protocol) -> None:
    facts: list[Fact] = [
        START,
        Noted(seq=2, t=3, text="door opened"),
        Noted(seq=3, t=4, text="look at this", mark=True),
        Gap(seq=4, t=5, until=9, reason="the microphone went away"),
        CaseEnded(seq=5, t=12),
    ]
    found = view(protocol, facts, 13)
    assert [line.kind for line in found.log] == ["case", "note", "mark", "gap", "case"]
    assert "4 s" in found.log[3].text
    assert found.ended == 12


def test_a_deadline_passes_without_any_event(protocol: Protocol) -> None:
    case = Case(protocol)
    case.add(START)
    case.add(ORDER)
    deadline = ORDER.until + protocol.window("give-drug")
    assert states(case.view(deadline)) == ["open"]
    assert states(case.view(deadline + 0.01)) == ["unanswered"]
    assert states(case.view(deadline)) == ["open"]


def test_the_fold_leaves_out_what_is_not_over_yet(protocol: Protocol) -> None:
    facts: list[Fact] = [START, ORDER, READ_BACK]
    assert not fold(protocol, facts, ORDER.until - 0.1).loops
    assert states(fold(protocol, facts, READ_BACK.until - 0.1)) == ["open"]
    assert states(fold(protocol, facts, READ_BACK.until)) == ["closed"]


def test_an_input_channel_speaks_for_its_station(protocol: Protocol) -> None:
    start = replace(START, channels=((1, "team-leader"), (2, "drugs-nurse")))
    order = replace(ORDER, sender=None, channel=1)
    answer = replace(READ_BACK, sender=None, channel=2)
    loop = view(protocol, [start, order, answer]).loops[0][0]
    assert (loop.sender, loop.flags) == ("team-leader", ())
    own = replace(READ_BACK, sender=None, channel=1)
    assert states(view(protocol, [start, order, own])) == ["open"]


def test_dose_per_kilogram_follows_from_the_weight_entered(protocol: Protocol) -> None:
    facts: list[Fact] = [START, ORDER, READ_BACK, heard(4, 20, "ketamine in", "drugs-nurse")]
    dose = view(protocol, facts, 30).doses[0]
    # Arithmetic: 90 mg / 70 kg; 90 mg at the invented sheet's 10 mg/mL.
    assert dose.per_kg is not None
    assert float(dose.per_kg) == pytest.approx(90 / 70)
    assert dose.ml == 9
    unweighed = view(protocol, [replace(START, weight_kg=None), *facts[1:]], 30).doses[0]
    assert unweighed.per_kg is None
