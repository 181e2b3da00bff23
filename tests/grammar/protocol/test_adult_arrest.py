"""A second protocol: nothing in the code is tied to the first, from sound to screen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from grammar.case.facts import CaseStarted
from grammar.case.fold import Case
from grammar.case.sequence_rules import Event, judge_rules
from grammar.language.parse import Understanding
from grammar.language.phrases import network, phrases
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Slot, expansions
from listener.audio.samples import SAMPLE_RATE
from listener.audio.sources import AudioFile
from listener.recognition.engines import choose
from listener.recognition.lexicon import without_pronunciation
from listener.recognition.recogniser import Recogniser
from tests.support.places import DIALOGUES
from tests.support.screens import heard, shown_text, status
from tests.support.speech import espeak, flite
from tui.dashboard.app import Dashboard
from tui.listening.case_listening import Listening
from tui.listening.json_lines import run_headless
from tui.listening.options import CaseOptions
from tui.text import wording


@pytest.fixture(scope="module")
def arrest() -> Protocol:
    return load_protocol("adult-arrest")


@pytest.fixture(scope="module")
def understanding(arrest: Protocol) -> Understanding:
    return Understanding(arrest)


# ---------------------------------------------------------------------- the sheet


def test_the_team_has_everyone_an_arrest_needs(arrest: Protocol) -> None:
    """Roles of a resuscitation team: common practice, no source."""
    assert set(arrest.stations) == {
        *("team-leader", "compressor", "airway", "defibrillator"),
        *("drugs-nurse", "runner", "scribe"),
    }


def test_drugs_and_times_are_those_of_the_guidelines(arrest: Protocol) -> None:
    """Resuscitation Council guidelines 2021, from memory: 1 mg every 3 to 5 min; rhythm every 2 min."""
    adrenaline = arrest.drugs["adrenaline"]
    allowed = adrenaline.range
    assert allowed
    assert (allowed.low, allowed.high, allowed.unit, allowed.per_kg) == (1, 1, "mg", False)
    rules = {rule.id: rule for rule in arrest.rule}
    longest = rules["adrenaline-interval"].seconds
    assert (adrenaline.minimum_interval_s, longest) == (3 * 60, 5 * 60)
    checked = rules["rhythm-check-interval"].seconds
    assert checked
    assert 120 <= checked <= 150


def test_the_reversible_causes_are_four_hs_and_four_ts(arrest: Protocol) -> None:
    """Resuscitation Council guidelines 2021, from memory."""
    (causes,) = arrest.checklist
    initials = sorted(item.title[0] for item in causes.items if item.id != "potassium")
    assert initials == ["H", "H", "H", "T", "T", "T", "T"], (
        "the fourth H is named by its electrolyte"
    )
    assert len(causes.items) == 8


def test_every_value_of_the_sheet_tells_where_it_is_from(arrest: Protocol) -> None:
    for drug in arrest.drug:
        assert drug.range
        assert drug.range.source
    for rule in arrest.rule:
        assert rule.source


def test_every_rule_is_broken_or_counts_down_in_a_written_dialogue(arrest: Protocol) -> None:
    table = "".join(path.read_text(encoding="utf-8") for path in DIALOGUES.glob("arrest-*.toml"))
    for rule in arrest.rule:
        assert f'rule = "{rule.id}"' in table, rule.id


def test_every_word_has_a_sound(arrest: Protocol) -> None:
    assert without_pronunciation(network(arrest).words, arrest.pronunciations) == []


# ---------------------------------------------------------------------- what is said, is understood

VALUES = {
    "number": ("two hundred", Decimal(200)),
    "duration": ("two minutes", Decimal(120)),
    "dose": ("three hundred milligrams of amiodarone", "amiodarone"),
    "drug": ("adrenaline", "adrenaline"),
    "rhythm": ("asystole", "asystole"),
    "cause": ("tamponade", "tamponade"),
    "item": ("ultrasound", "ultrasound"),
}
"""Slot type -> one way to say a value, and the value."""


def spoken(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """(call, sentence) for every way to say every call, one value a slot."""
    for call in protocol.call:
        for node in call.nodes:
            for form in expansions(node, {}):
                words = (VALUES[p.type][0] if isinstance(p, Slot) else p for p in form)
                yield call.id, " ".join(words)


def test_every_way_to_say_a_call_is_that_call(
    arrest: Protocol, understanding: Understanding
) -> None:
    sentences = list(spoken(arrest))
    assert len(sentences) > 200
    for call, sentence in sentences:
        meaning = understanding.read(sentence.split())
        assert meaning.kind == "call", sentence
        assert meaning.reading, sentence
        assert meaning.reading.call == call, sentence
        values = {value for _, value in VALUES.values()} | {"mg", Decimal(300)}
        assert set(meaning.reading.slots.values()) <= values, sentence


def test_every_item_of_the_causes_is_answered_in_every_way(
    arrest: Protocol, understanding: Understanding
) -> None:
    for item in arrest.checklist[0].items:
        for node in phrases(item.spoken):
            for form in expansions(node, {}):
                meaning = understanding.read([str(word) for word in form])
                assert (meaning.kind, meaning.item) == ("item", item.id), form


def test_no_pulse_is_a_call_and_no_denial_of_a_pulse(understanding: Understanding) -> None:
    meaning = understanding.read(["no", "pulse"])
    assert meaning.reading
    assert meaning.reading.call == "arrest-confirmed"
    assert not meaning.said("negative")


# ---------------------------------------------------------------------- what comes again and again


def at(*times: float) -> tuple[Event, ...]:
    return tuple(Event(t, fact) for fact, t in enumerate(times, start=1))


def findings(
    protocol: Protocol, rule: str, events: dict[str, tuple[Event, ...]], now: float
) -> list[float]:
    """When a rule was broken, seconds."""
    chosen = [one for one in protocol.rule if one.id == rule]
    return [found.t for found in judge_rules(chosen, events, now)[0]]


def test_the_next_adrenaline_is_due_from_the_one_before(arrest: Protocol) -> None:
    events = {"drug-given:adrenaline": at(0, 240, 600)}
    assert findings(arrest, "adrenaline-interval", events, 610) == [540]
    assert findings(arrest, "adrenaline-interval", events, 900) == [540]
    assert findings(arrest, "adrenaline-interval", events, 901) == [540, 900]


def test_a_limit_that_was_broken_stays_broken_when_the_call_is_repeated(arrest: Protocol) -> None:
    events = {"compressions-stopped": at(0, 50)}
    for now in (21, 49, 51, 60):
        assert findings(arrest, "pause-in-compressions", events, now) == [20]


def test_a_call_repeated_within_its_limit_counts_from_the_later_one(arrest: Protocol) -> None:
    events = {"compressions-stopped": at(0, 15), "compressions-started": (Event(30, 3),)}
    for now in (16, 29, 31, 500):
        assert findings(arrest, "pause-in-compressions", events, now) == []


def test_a_wait_between_events_of_one_kind_is_judged_pair_by_pair(arrest: Protocol) -> None:
    rule = arrest.rule[0].model_copy(
        update={"kind": "at-least", "first": ("x",), "then": ("x",), "seconds": 100.0}
    )
    found, coming = judge_rules([rule], {"x": at(0, 100, 150)}, 200)
    assert [one.facts for one in found] == [(2, 3)]
    assert [(one.due, one.facts) for one in coming] == [(250, (3,))]


# ---------------------------------------------------------------------- on screen


@pytest.mark.parametrize(
    ("call", "slots", "words"),
    [
        ("charge", {"joules": Decimal(200)}, "Charge 200 J"),
        ("rhythm", {"rhythm": "ventricular-fibrillation"}, "Rhythm VF"),
        ("cause-suspected", {"cause": "tension"}, "Suspected cause tension pneumothorax"),
        ("end-tidal", {"value": Decimal(18)}, "End-tidal CO2 18 mmHg"),
        (
            "give-drug",
            {"drug": "magnesium-sulfate", "amount": Decimal(2), "unit": "g"},
            "Give magnesium sulfate 2 g",
        ),
    ],
)
def test_a_call_reads_in_words_of_its_own_protocol(
    arrest: Protocol, call: str, slots: dict[str, Decimal | str], words: str
) -> None:
    assert wording.call_in_words(arrest, call, slots) == words


async def test_the_dashboard_shows_an_energy_that_was_read_back_otherwise(
    arrest: Protocol,
) -> None:
    case = Case(arrest)
    case.add(CaseStarted(seq=1, protocol="adult-arrest"))
    said = (
        heard(2, "hypoxia treated", "team-leader"),
        heard(5, "charge to two hundred joules", "team-leader"),
        heard(8, "charging to one hundred joules", "defibrillator"),
        heard(12, "end tidal eighteen", "airway"),
        heard(14, "rhythm check", "team-leader"),
    )
    for seq, fact in enumerate(said, start=2):
        case.add(replace(fact, seq=seq))
    app = Dashboard(
        arrest,
        view_at=case.view,
        clock=lambda: 20.0,
        status=status,
        start=lambda: None,
        stop=lambda: None,
    )
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        shown = shown_text(app)
    for words in ("DIFFERS", "Charge 200 J", "100 J", "EtCO2", "Next rhythm check", "1/8"):
        assert words in shown, shown


# ---------------------------------------------------------------------- heard

CALLS = (
    "start compressions", "hold compressions", "rhythm check", "stand clear", "back on the chest",
    "charge to two hundred joules", "shock delivered at two hundred joules", "dump the charge",
    "nurse give one milligram of adrenaline", "adrenaline in", "amiodarone three hundred",
    "ventricular fibrillation", "not shockable", "swap the compressor", "hands off",
    "capnography confirmed", "return of circulation", "tamponade unlikely", "hypovolaemia treated",
    "oxygen away", "all reversible causes reviewed", "end tidal twenty",
)  # fmt: skip


@pytest.fixture(scope="module")
def vosk(arrest: Protocol) -> Recogniser:
    return choose("vosk", network(arrest), arrest.pronunciations)


def test_nine_in_ten_calls_of_two_synthetic_voices_are_heard_word_for_word(
    vosk: Recogniser,
) -> None:
    wrong = []
    for call in CALLS:
        for sound in (espeak(call), flite(call)):
            hearing = vosk.open()
            hearing.accept(sound)
            found = " ".join(word.text for word in hearing.finish())
            if found != call:
                wrong.append((call, found))
    print(f"{2 * len(CALLS) - len(wrong)} of {2 * len(CALLS)} calls heard; not: {wrong}")
    assert len(wrong) <= 0.1 * 2 * len(CALLS), wrong


def test_a_cycle_is_heard_and_judged_from_sound_to_summary(tmp_path: Path) -> None:
    said = (
        ("start compressions", flite),
        ("copy", espeak),
        ("charge to two hundred joules", flite),
        ("charging to two hundred joules", espeak),
        ("stand clear", espeak),
        ("copy", flite),
        ("shock delivered at two hundred joules", espeak),
        ("copy", flite),
        ("back on the chest", espeak),
        ("copy", flite),
    )
    pause = np.zeros(SAMPLE_RATE, np.int16)
    sound = np.concatenate([part for words, voice in said for part in (voice(words), pause)])
    noise = np.random.default_rng(0).normal(0, 3, len(sound))
    soundfile.write(tmp_path / "cycle.wav", (sound + noise).astype(np.int16), SAMPLE_RATE)
    wishes = CaseOptions(
        protocol="adult-arrest",
        weight_kg=None,
        recogniser="vosk",
        model=None,
        cases=tmp_path / "cases",
        record=False,
        real_pace=False,
    )
    listening = Listening(AudioFile(tmp_path / "cycle.wav"), wishes)
    lines: list[Mapping[str, Any]] = []
    run_headless(listening, lines.append)
    summary = lines[-1]
    assert [(loop["call"], loop["state"]) for loop in summary["loops"]] == [
        ("compressions-started", "closed"),
        ("charge", "closed"),
        ("stand-clear", "closed"),
        ("shock-delivered", "closed"),
        ("compressions-started", "closed"),
    ]
    assert summary["loops"][1]["slots"] == {"joules": 200}
    assert [(task["call"], task["state"]) for task in summary["tasks"]] == [("charge", "done")]
    assert summary["findings"] == []
