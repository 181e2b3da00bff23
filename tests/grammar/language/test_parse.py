"""What heard words mean: each call in the forms that people use, and what must never be made up."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from decimal import Decimal

import pytest
from num2words import num2words

from grammar.language.meaning import Meaning
from grammar.language.parse import Understanding
from grammar.protocol.loading import load_protocol


@pytest.fixture(scope="module")
def understanding() -> Understanding:
    return Understanding(load_protocol("isolation-airway"))


def said(understanding: Understanding, words: str) -> Meaning:
    return understanding.read(words.split())


def as_text(slots: Mapping[str, object]) -> str:
    return " ".join(f"{name}={value}" for name, value in slots.items())


# call, slots as text, and forms of saying it
FORMS: list[tuple[str, str, Sequence[str]]] = [
    (
        "radio-check",
        "",
        ["radio check", "radio check how do you read", "reading you loud and clear"],
    ),
    ("room-ready", "", ["the room is ready", "room ready", "ready in the room"]),
    ("drugs-ready", "", ["all the drugs are drawn up", "drugs ready", "the drugs are ready"]),
    ("checklist-complete", "", ["checklist complete", "the checklist is complete"]),
    ("pre-oxygenation-started", "", ["starting pre oxygenation", "pre oxygenating"]),
    (
        "draw-up-drug",
        "drug=ketamine amount=100 unit=mg",
        ["draw up one hundred milligrams of ketamine", "prepare ketamine a hundred"],
    ),
    (
        "give-drug",
        "drug=rocuronium amount=70 unit=mg",
        ["give seventy milligrams of rocuronium", "push roc seventy", "seventy roc go ahead"],
    ),
    (
        "give-drug",
        "drug=fentanyl amount=100 unit=microgram",
        ["give a hundred micrograms of fentanyl", "push one hundred mics fentanyl"],
    ),
    ("give-drug", "drug=suxamethonium amount=1.5 unit=mL", ["give one point five mils of sux"]),
    ("drug-given", "drug=rocuronium", ["roc in", "rocuronium is in", "roc given"]),
    (
        "drug-given",
        "drug=ketamine amount=90 unit=mg",
        ["ninety of ketamine in", "ketamine ninety milligrams is in"],
    ),
    ("drug-given", "", ["drugs in", "the drugs are in", "all drugs are in"]),
    ("start-timer", "duration_s=60", ["timer sixty", "start the timer one minute"]),
    (
        "start-timer",
        "duration_s=180",
        ["start the timer three minutes", "set a timer for one eighty"],
    ),
    (
        "start-timer",
        "duration_s=90",
        ["timer a minute and a half", "timer one minute thirty seconds"],
    ),
    ("timer-complete", "", ["timer complete", "time is up", "timer is done"]),
    ("saturation", "percent=94", ["sats ninety four", "saturation is nine four percent"]),
    ("heart-rate", "per_minute=110", ["heart rate one ten", "pulse is one hundred and ten"]),
    (
        "blood-pressure",
        "systolic=130 diastolic=80",
        ["pressure one thirty over eighty", "blood pressure is one hundred thirty on eighty"],
    ),
    (
        "end-tidal",
        "value=4.5",
        ["end tidal four point five", "end tidal c o two is four and a half"],
    ),
    ("oxygen-on", "", ["oxygen on", "turn the oxygen on"]),
    ("oxygen-off", "", ["oxygen is off", "switch oxygen off"]),
    ("attempt-started", "", ["starting the first attempt", "laryngoscope in", "second attempt"]),
    ("attempt-abandoned", "", ["attempt abandoned", "coming out", "attempt failed"]),
    ("tube-passed", "", ["tube passed", "the tube is in", "tube has passed"]),
    ("cuff-up", "", ["cuff up", "the cuff is inflated"]),
    ("clamp-on", "", ["clamp on", "clamped"]),
    ("clamp-off", "", ["clamp is off", "unclamped"]),
    ("ventilator-connected", "", ["ventilator connected", "on the ventilator"]),
    ("capnography-confirmed", "", ["capnography confirmed", "we have a trace", "good trace"]),
    ("tube-size", "mm=7.5", ["tube size seven point five", "size seven and a half tube"]),
    ("tube-depth", "cm=22", ["tube depth twenty two", "twenty two centimetres at the teeth"]),
    ("switch-plan", "plan=bravo", ["plan bravo", "switch to plan b", "moving to plan b"]),
    ("switch-plan", "plan=delta", ["plan delta", "go to plan d"]),
    ("send-in", "item=bougie", ["send in the bougie", "pass the bougie in", "we need a bougie"]),
    ("send-in", "item=scalpel-kit", ["bring in the scalpel kit", "need the scalpel kit"]),
    (
        "item-in",
        "item=second-suction",
        ["second suction is here", "the second suction is in the room"],
    ),
    ("view-grade", "grade=grade-2", ["the view is grade two", "grade two view"]),
    ("device-used", "device=video-laryngoscope", ["using the video laryngoscope"]),
    ("intubation-complete", "", ["intubation complete", "tube secured"]),
    ("help-needed", "", ["need help", "help needed", "calling for help", "send help"]),
]


@pytest.mark.parametrize(
    ("call", "slots", "words"),
    [(call, slots, words) for call, slots, forms in FORMS for words in forms],
)
def test_a_call_is_understood_however_it_is_said(
    understanding: Understanding, call: str, slots: str, words: str
) -> None:
    meaning = said(understanding, words)
    assert meaning.kind == "call"
    assert meaning.score == 1
    assert meaning.reading
    assert meaning.reading.call == call
    assert as_text(meaning.reading.slots) == slots
    assert not meaning.doubts


def test_every_call_of_the_protocol_is_among_the_forms() -> None:
    assert {call for call, _, _ in FORMS} | {"drug-drawn-up"} == set(
        load_protocol("isolation-airway").calls
    )


def test_every_dose_from_one_to_999_is_read_as_num2words_writes_it(
    understanding: Understanding,
) -> None:
    for value in range(1, 1000):
        number = num2words(value).replace("-", " ")
        meaning = said(understanding, f"give {number} milligrams of ketamine")
        assert meaning.reading
        assert meaning.reading.slots["amount"] == value, number


# Prowords: ICAO Doc 9432, chapter 2, and common radio practice.
@pytest.mark.parametrize(
    ("words", "proword"),
    [
        ("copy", "acknowledge"),
        ("roger", "acknowledge"),
        ("copy that over", "acknowledge"),
        ("affirm", "affirm"),
        ("that is correct", "affirm"),
        ("negative", "negative"),
        ("say again", "say-again"),
        ("say again please", "say-again"),
        ("stand by", "stand-by"),
        ("disregard", "disregard"),
        ("correction", "correction"),
    ],
)
def test_a_proword_alone_is_an_utterance(
    understanding: Understanding, words: str, proword: str
) -> None:
    meaning = said(understanding, words)
    assert (meaning.kind, meaning.prowords) == ("proword", (proword,))


def test_out_ends_an_utterance_and_means_nothing_more(understanding: Understanding) -> None:
    assert said(understanding, "roc in out").reading == said(understanding, "roc in").reading


@pytest.mark.parametrize(
    ("words", "proword"),
    [
        ("copy give seventy milligrams of ketamine", "acknowledge"),
        ("give seventy milligrams of ketamine copy", "acknowledge"),
        ("correction give seventy milligrams of ketamine", "correction"),
        ("i say again give seventy milligrams of ketamine", "i-say-again"),
        ("negative give seventy milligrams of ketamine", "negative"),
        ("affirm give seventy milligrams of ketamine", "affirm"),
    ],
)
def test_a_proword_may_stand_with_a_call(
    understanding: Understanding, words: str, proword: str
) -> None:
    meaning = said(understanding, words)
    assert (meaning.kind, meaning.prowords) == ("call", (proword,))
    assert meaning.reading
    assert meaning.reading.call == "give-drug"


@pytest.mark.parametrize(
    ("words", "to", "sender"),
    [
        ("outside radio check", "outside", None),
        ("outside this is anteroom radio check", "outside", "anteroom"),
        ("this is drugs nurse all drugs drawn up", None, "drugs-nurse"),
        ("team leader this is runner room ready over", "team-leader", "anteroom"),
        ("drugs nurse give seventy of ketamine", "drugs-nurse", None),
        ("drugs give seventy of ketamine", "drugs-nurse", None),
        ("say again leader", "team-leader", None),
        ("room ready", None, None),
    ],
)
def test_the_one_addressed_and_the_one_who_speaks_are_heard(
    understanding: Understanding, words: str, to: str | None, sender: str | None
) -> None:
    meaning = said(understanding, words)
    assert (meaning.to, meaning.sender) == (to, sender)


def test_drugs_ready_is_a_call_and_not_an_address(understanding: Understanding) -> None:
    assert said(understanding, "drugs ready").to is None


# Pennsylvania Patient Safety Advisory, June 2006: say "fifteen, one five"; 15 and 50 sound alike.
def test_a_number_said_twice_is_one_number_and_settles_its_twin(
    understanding: Understanding,
) -> None:
    meaning = said(understanding, "give fifteen one five milligrams of ketamine")
    assert meaning.reading
    assert meaning.reading.slots["amount"] == 15
    assert not meaning.sounds_like
    assert not meaning.doubts


def test_a_number_against_its_digits_is_a_conflict(understanding: Understanding) -> None:
    meaning = said(understanding, "give fifteen five zero milligrams of ketamine")
    assert meaning.doubts == ("number-conflict",)


def test_fifteen_alone_sounds_like_fifty(understanding: Understanding) -> None:
    meaning = said(understanding, "give fifteen milligrams of ketamine")
    assert meaning.sounds_like == (Decimal(50),)


def test_a_value_out_of_bounds_is_doubted(understanding: Understanding) -> None:
    assert said(understanding, "sats ten").doubts == ("out-of-bounds",)
    assert said(understanding, "tube size seven five").doubts == ("out-of-bounds",)
    assert not said(understanding, "sats one hundred").doubts


def test_a_short_answer_offers_every_call_it_may_answer(understanding: Understanding) -> None:
    meaning = said(understanding, "copy seventy")
    assert meaning.kind == "answer"
    assert {"give-drug", "draw-up-drug", "start-timer"} <= {r.call for r in meaning.readings}
    drug = said(understanding, "ketamine seventy")
    assert {r.call for r in drug.readings} == {"give-drug", "draw-up-drug"}


def test_a_checklist_item_is_answered_by_voice(understanding: Understanding) -> None:
    meaning = said(understanding, "suction is on")
    assert (meaning.kind, meaning.checklist, meaning.item) == (
        "item",
        "before-induction",
        "suction",
    )


# ---------------------------------------------------------------------- the nearest phrase


@pytest.mark.parametrize(
    ("words", "call"),
    [
        ("gave seventy milligrams of ketamine", "give-drug"),
        ("could you give seventy milligrams of ketamine quickly", "give-drug"),
        ("sats sats ninety four", "saturation"),
        ("the room is ready now then", "room-ready"),
    ],
)
def test_words_close_to_a_phrase_are_that_call_less_surely(
    understanding: Understanding, words: str, call: str
) -> None:
    meaning = said(understanding, words)
    assert meaning.reading
    assert meaning.reading.call == call
    assert meaning.score < 1


def test_a_dose_reached_by_guessing_needs_a_second_look(understanding: Understanding) -> None:
    assert "nearest" in said(understanding, "gave seventy milligrams of ketamine").doubts


@pytest.mark.parametrize("words", ["the clamp is off on", "oxygen is of", "clamp ona"])
def test_on_or_off_is_never_guessed_without_doubt(understanding: Understanding, words: str) -> None:
    assert "nearest" in said(understanding, words).doubts


@pytest.mark.parametrize(
    "words",
    [
        "the tube is not in",
        "capnography not confirmed",
        "no capnography",
        "do not give seventy milligrams of ketamine",
        "roc not in",
        "oxygen is not on",
        "we don't need help",
    ],
)
def test_a_denial_is_never_taken_for_what_it_denies(
    understanding: Understanding, words: str
) -> None:
    assert said(understanding, words).kind == "unrecognised"


@pytest.mark.parametrize(
    "words",
    [
        "",
        "[unk]",
        "[unk] [unk]",
        "what is for lunch today",
        "give ketamine",
        "give seventy milligrams",
        "give seventy milligrams of ketamine seventy",
        "plan five",
        "sats",
        "pressure one thirty",
        "out",
    ],
)
def test_what_fits_no_phrase_is_unrecognised(understanding: Understanding, words: str) -> None:
    meaning = said(understanding, words)
    assert meaning.kind == "unrecognised"
    assert not meaning.readings


def test_a_call_among_words_nobody_knows_is_still_that_call(understanding: Understanding) -> None:
    meaning = said(understanding, "[unk] give seventy milligrams of ketamine")
    assert meaning.reading
    assert meaning.reading.slots["amount"] == 70
    assert meaning.score < 1


def test_the_nearest_phrase_never_adds_or_drops_a_number_a_drug_or_a_unit(
    understanding: Understanding,
) -> None:
    rng = random.Random(4)
    extras = ["well", "uh", "quickly", "the", "of", "then", "again", "give", "in", "ready", "on"]
    guessed = 0
    for _ in range(400):
        amount, drug = rng.randrange(1, 999), rng.choice(["ketamine", "propofol", "rocuronium"])
        words = f"give {num2words(amount).replace('-', ' ')} milligrams of {drug}".split()
        for _ in range(rng.randrange(1, 4)):
            words.insert(rng.randrange(len(words) + 1), rng.choice(extras))
        meaning = understanding.read(words)
        if meaning.score == 1 or meaning.reading is None:
            continue
        slots = meaning.reading.slots
        numbers = [value for value in slots.values() if isinstance(value, Decimal)]
        # A word within a number may split it in two; then no phrase has marks for both.
        assert numbers == [amount], words
        assert slots["drug"] == drug
        assert slots["unit"] == "mg"
        guessed += 1
    assert guessed > 50
