"""A protocol file: what ships, and what a team is told about each mistake in its own."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from grammar.errors import UserError
from grammar.protocol.loading import (
    ProtocolError,
    load_protocol,
    parse_protocol,
    shipped,
    source_text,
)
from grammar.protocol.model import Protocol, Span, Vital
from tests.support.mistakes import MISTAKES, SHEET

CALLS = [
    "radio-check",
    "room-ready",
    "drugs-ready",
    "checklist-complete",
    "pre-oxygenation-started",
    "draw-up-drug",
    "give-drug",
    "drug-given",
    "start-timer",
    "timer-complete",
    "saturation",
    "heart-rate",
    "blood-pressure",
    "end-tidal",
    "oxygen-on",
    "oxygen-off",
    "attempt-started",
    "attempt-abandoned",
    "tube-passed",
    "cuff-up",
    "clamp-on",
    "clamp-off",
    "ventilator-connected",
    "capnography-confirmed",
    "tube-size",
    "tube-depth",
    "switch-plan",
    "send-in",
    "intubation-complete",
    "help-needed",
]

DRUGS = [
    "ketamine",
    "propofol",
    "etomidate",
    "midazolam",
    "fentanyl",
    "rocuronium",
    "suxamethonium",
    "adrenaline",
    "noradrenaline",
    "atropine",
    "sugammadex",
]


@pytest.fixture(scope="module")
def airway() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_protocol_loads_under_its_own_name(name: str) -> None:
    assert load_protocol(name).protocol.id == name


def test_the_airway_protocol_has_every_call_station_and_drug_of_the_job(airway: Protocol) -> None:
    assert set(CALLS) <= set(airway.calls)
    assert set(DRUGS) == set(airway.drugs)
    assert set(airway.stations) == {
        "team-leader",
        "airway-operator",
        "drugs-nurse",
        "anteroom",
        "outside",
    }


def test_every_call_can_be_said_in_several_ways(airway: Protocol) -> None:
    for name in CALLS:
        call = airway.calls[name]
        ways = " ".join(call.phrases)
        assert len(call.phrases) > 1 or any(mark in ways for mark in "[|"), name


def test_every_drug_has_a_unit_a_concentration_and_a_sourced_range(airway: Protocol) -> None:
    for drug in airway.drug:
        assert drug.concentration, drug.id
        assert drug.range, drug.id
        assert drug.range.source, drug.id


# Ranges per kg. Rocuronium: US prescribing information, section 2. Etomidate, suxamethonium's lower
# end and propofol's upper end: US prescribing information, from memory. Ketamine: common practice.
@pytest.mark.parametrize(
    ("drug", "low", "high"),
    [
        ("rocuronium", 0.6, 1.2),
        ("etomidate", 0.2, 0.6),
        ("suxamethonium", 0.3, None),
        ("propofol", None, 2.5),
        ("ketamine", 1.0, 2.0),
    ],
)
def test_the_sheet_holds_the_published_range(
    airway: Protocol, drug: str, low: float | None, high: float | None
) -> None:
    allowed = airway.drugs[drug].range
    assert allowed
    assert allowed.per_kg
    assert allowed.unit == "mg"
    assert low is None or allowed.low == low
    assert high is None or allowed.high == high


# 3 min is common practice; the consensus guideline doi 10.1111/anae.15054 cites 3 to 5 min. 60 s
# after the relaxant: common practice, no source.
@pytest.mark.parametrize(
    ("rule", "seconds"), [("pre-oxygenation-time", 180), ("relaxant-to-attempt", 60)]
)
def test_waits_are_as_long_as_the_trade_keeps_them(
    airway: Protocol, rule: str, seconds: float
) -> None:
    found = next(r for r in airway.rule if r.id == rule)
    assert found.kind == "at-least"
    assert found.seconds == seconds


def test_a_window_is_the_calls_own_or_else_the_protocols(airway: Protocol) -> None:
    assert airway.window("give-drug") == 10
    assert airway.window("send-in") == airway.protocol.window_s


def test_a_protocol_of_ones_own_is_read_from_its_path(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(SHEET, encoding="utf-8")
    assert load_protocol(str(path)).protocol.title == "Small"
    assert source_text(str(path)) == (SHEET, "ours.toml")


def test_numbers_on_the_sheet_stay_exactly_as_written() -> None:
    found = parse_protocol(SHEET.replace("low = 1,", "low = 0.1,"))
    allowed = found.drugs["ketamine"].range
    assert allowed
    assert Decimal(str(allowed.low)) == Decimal("0.1")


def test_the_sheet_with_no_mistake_loads() -> None:
    assert parse_protocol(SHEET).calls.keys() == {"give", "given"}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_is_one_sentence_with_its_place_and_cure(mistake: str) -> None:
    right, wrong, words = MISTAKES[mistake]
    assert SHEET.count(right) >= 1
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(SHEET.replace(right, wrong, 1), "ours.toml")
    sentence = str(caught.value)
    assert sentence.startswith("ours.toml: ")
    assert "\n" not in sentence
    for word in words:
        assert word in sentence


def test_each_of_two_mistakes_has_its_own_line() -> None:
    text = SHEET.replace('title = "Give"\n', "").replace('unit = "mg"\nrange', 'unit = "k"\nrange')
    with pytest.raises(ProtocolError) as caught:
        parse_protocol(text, "ours.toml")
    about_call, about_drug = str(caught.value).splitlines()
    assert "[[drug]] ketamine, unit" in about_drug
    assert "[[call]] give, title" in about_call


def test_broken_toml_names_the_line() -> None:
    with pytest.raises(
        ProtocolError, match=r"ours\.toml: this is not valid TOML: .*line 22"
    ) as err:
        parse_protocol(SHEET.replace('title = "Give"', 'title = "Give'), "ours.toml")
    assert isinstance(err.value, UserError)


def test_an_unknown_name_is_answered_with_the_names_there_are() -> None:
    with pytest.raises(ProtocolError, match="isolation-airway"):
        load_protocol("isolation-airways")


def test_a_missing_file_a_folder_and_bytes_that_are_no_text_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(ProtocolError, match="there is no such file"):
        load_protocol(str(tmp_path / "none.toml"))
    with pytest.raises(ProtocolError, match="cannot be read as text"):
        load_protocol(str(tmp_path))
    (tmp_path / "noise.toml").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(ProtocolError, match="cannot be read as text"):
        load_protocol(str(tmp_path / "noise.toml"))


@pytest.mark.parametrize("code", ["59408-5", "8867-4", "8480-6", "8462-4", "85354-9", "19891-1"])
def test_loinc_codes_carry_their_check_digit(code: str) -> None:
    """Codes of the FHIR vital signs profile (R4), and of end-tidal carbon dioxide."""
    assert Vital(id="x", unit="%", title="X", loinc=(code,)).loinc == (code,)
    wrong = f"{code[:-1]}{(int(code[-1]) + 1) % 10}"
    with pytest.raises(ValueError, match="check digit"):
        Vital(id="x", unit="%", title="X", loinc=(wrong,))


def test_a_span_says_how_it_ends() -> None:
    with pytest.raises(ValueError, match="needs then"):
        Span(id="x", title="X", first=("call",))
    with pytest.raises(ValueError, match="leave then out"):
        Span(id="x", title="X", kind="phase", first=("call",), then=("other",))
