"""The spoken samples agree with themselves: scripts, sound and truth.

Nothing is listened to here: the truth's written words go through grammar and fold, and what comes
out must be what the script's author meant.
"""

from __future__ import annotations

import tomllib
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import soundfile

from grammar.case.facts import CaseStarted, Heard
from grammar.case.fold import Case
from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.reports.summary import summary_json, utterance_json
from sample_audio_synthetic.script import read_script
from sample_audio_synthetic.truth import Placed, truth_toml
from tests.support.places import SAMPLES

FOLDER = SAMPLES
NAMES = ("well-run-drill", "faulty-drill", "quick-clip", "doubtful-clip")
DRILLS = NAMES[:2]


@pytest.fixture(params=NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.fixture
def truth(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


def folded(
    protocol: Protocol, truth: dict[str, Any]
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """What a listener who hears every word makes of the clip: utterances, and the summary."""
    case = Case(protocol)
    case.add(CaseStarted(seq=1, protocol=truth["protocol"], weight_kg=truth["weight_kg"]))
    lines = []
    for seq, said in enumerate(truth["utterance"], start=2):
        texts = ["[unk]"] if said["role"] == "chatter" else said["words"].split()
        step = (said["until"] - said["t"]) / len(texts)
        words = tuple(
            Word(text, said["t"] + step * at, said["t"] + step * (at + 1))
            for at, text in enumerate(texts)
        )
        heard = case.add(Heard(seq=seq, t=said["t"], until=said["until"], words=words))
        assert heard is not None
        lines.append(utterance_json(heard))
    return lines, summary_json(case.view(truth["duration_s"]))


def test_what_is_said_is_in_the_grammar_and_chatter_is_not(
    protocol: Protocol, truth: dict[str, Any]
) -> None:
    said = network(protocol)
    for line in truth["utterance"]:
        assert said.accepts(line["words"].split()) == (line["role"] != "chatter"), line["words"]


def test_the_truth_is_the_script_as_it_was_spoken(
    name: str, protocol: Protocol, truth: dict[str, Any]
) -> None:
    script = read_script(FOLDER / f"{name}.script.toml")
    times = [(line["t"], line["until"]) for line in truth["utterance"]]
    spoken = [Placed(line, *at) for line, at in zip(script.lines, times, strict=True)]
    again = truth_toml(protocol, script, spoken, truth["duration_s"])
    assert tomllib.loads(again) == truth


def test_people_speak_one_after_the_other(truth: dict[str, Any]) -> None:
    lines = truth["utterance"]
    assert lines[0]["t"] > 0
    assert all(line["t"] < line["until"] for line in lines)
    assert all(a["until"] + 0.25 < b["t"] for a, b in pairwise(lines))
    assert lines[-1]["until"] < truth["duration_s"]


def test_an_answer_comes_after_a_breath(truth: dict[str, Any]) -> None:
    for before, after in pairwise(truth["utterance"]):
        if (
            after["role"] in ("read-back", "acknowledgement")
            and before.get("call") == after["call"]
        ):
            assert 0.3 <= after["t"] - before["until"] <= 0.8


def test_the_sound_is_16_khz_mono_and_as_long_as_the_truth_says(
    name: str, truth: dict[str, Any]
) -> None:
    info = soundfile.info(FOLDER / f"{name}.flac")
    assert (info.format, info.subtype) == ("FLAC", "PCM_16")
    assert (info.samplerate, info.channels) == (16000, 1)
    assert info.duration == pytest.approx(truth["duration_s"], abs=0.01)
    shortest, longest = (240, 360) if name in DRILLS else (25, 90)
    assert shortest <= info.duration <= longest


def test_voices_stand_out_of_a_quiet_room_at_the_times_of_the_truth(
    name: str, truth: dict[str, Any]
) -> None:
    sound, rate = soundfile.read(FOLDER / f"{name}.flac")
    assert np.abs(sound).max() < 1
    edges = [0.0, *(t for line in truth["utterance"] for t in (line["t"], line["until"]))]
    edges.append(truth["duration_s"])
    for at, (start, end) in enumerate(pairwise(edges)):
        # A voice's onset and its dying away lie outside the measured times: keep clear of both.
        margin = 0.1 if at % 2 == 0 else 0.0
        part = sound[round((start + margin) * rate) : round((end - margin) * rate)]
        level = 20 * np.log10(part.std())
        assert level < -50 if at % 2 == 0 else level > -32, (start, end, level)


def test_all_clips_together_stay_small() -> None:
    assert sum((FOLDER / f"{each}.flac").stat().st_size for each in NAMES) < 12e6


def test_five_stations_speak_with_a_voice_each_that_never_trained(
    name: str, protocol: Protocol, truth: dict[str, Any]
) -> None:
    voices = pytest.importorskip("listener.training.voices")
    cast = {line["from"] for line in truth["utterance"]}
    assert set(truth["voice"]) == set(protocol.stations)
    assert len(set(truth["voice"].values())) == 5
    assert all(voices.voice(speaker).use != "train" for speaker in truth["voice"].values())
    assert all(voices.voice(speaker).natural for speaker in truth["voice"].values())
    assert len(cast) >= 4


def test_values_are_marked_as_invented(name: str, truth: dict[str, Any]) -> None:
    assert truth["invented"] is True
    assert "INVENTED" in (FOLDER / f"{name}.script.toml").read_text(encoding="utf-8")


def test_each_line_is_understood_as_its_author_meant_it(
    protocol: Protocol, truth: dict[str, Any]
) -> None:
    lines, _ = folded(protocol, truth)
    for meant, line in zip(truth["utterance"], lines, strict=True):
        role = "unrecognised" if meant["role"] == "chatter" else meant["role"]
        expected = (role, meant.get("call"), meant.get("slots", {}), meant.get("to"))
        assert (line["role"], line["call"], line["slots"], line["to"]) == expected, meant["words"]


def test_the_case_comes_to_what_the_truth_expects_and_no_more(
    protocol: Protocol, truth: dict[str, Any]
) -> None:
    _, summary = folded(protocol, truth)
    expect = truth["expect"]
    assert [
        (loop["call"], loop["slots"], loop["state"], loop["late"], "differed" in loop["flags"])
        for loop in summary["loops"]
    ] == [
        (loop["call"], loop["slots"], loop["state"], loop["late"], loop["differed"])
        for loop in expect["loops"]
    ]
    assert [timer["duration_s"] for timer in summary["timers"]] == [
        timer["duration_s"] for timer in expect["timers"]
    ]
    assert [(dose["drug"], dose["amount"], dose["unit"]) for dose in summary["doses"]] == [
        (dose["drug"], dose["amount"], dose["unit"]) for dose in expect["doses"]
    ]
    overdue = [task["slots"] for task in summary["tasks"] if task["state"] == "overdue"]
    assert overdue == [task["slots"] for task in expect["tasks_overdue"]]
    assert [finding["rule"] for finding in summary["findings"]] == ["task-overdue"] * len(overdue)


def test_the_planted_faults_are_those_asked_for(name: str, truth: dict[str, Any]) -> None:
    kinds = {fault["kind"] for fault in truth["expect"]["faults"]}
    planted = {"unanswered", "wrong-read-back", "late-answer", "say-again", "never-done", "chatter"}
    assert (
        kinds
        == {
            "well-run-drill": set(),
            "faulty-drill": planted,
            "quick-clip": {"unanswered"},
            "doubtful-clip": {"unclear-number", "possible-help"},
        }[name]
    )


def test_each_planted_fault_shows_in_what_is_expected(truth: dict[str, Any]) -> None:
    loops = truth["expect"]["loops"]
    faults = [(fault["kind"], fault["t"]) for fault in truth["expect"]["faults"]]
    # Nobody answers an order whose number is not clear.
    unclear = [t for kind, t in faults if kind == "unclear-number"]
    assert [t for kind, t in faults if kind == "unanswered"] == [
        loop["t"] for loop in loops if loop["state"] == "unanswered" and loop["t"] not in unclear
    ]
    assert [t for kind, t in faults if kind == "late-answer"] == [
        loop["t"] for loop in loops if loop["late"]
    ]
    assert [t for kind, t in faults if kind == "wrong-read-back"] == [
        loop["t"] for loop in loops if loop["differed"]
    ]
    assert [t for kind, t in faults if kind == "never-done"] == [
        task["t"] for task in truth["expect"]["tasks_overdue"]
    ]
