"""`answerback check`: the summary, the template, and advice that helps and does not nag."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.advice.check_advice import Note, advise, shared_sentences
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol, parse_protocol
from grammar.protocol.model import Protocol
from grammar.protocol.templates import expansions
from listener.recognition.lexicon import build_lexicon
from tests.support.mistakes import SHEET
from tui.cli import main
from tui.commands.check_report import check

RIGHT = SHEET.replace('high = 2, unit = "mg" }', 'high = 2, unit = "mg", source = "invented" }')

CALL = """
[[call]]
id = "{id}"
title = "{id}"
phrases = {phrases}
"""


def advice(text: str) -> list[Note]:
    protocol = parse_protocol(text)
    lexicon = build_lexicon(network(protocol).words, {"ketamine": ["K EH T AH M IY N"]})
    return list(advise(protocol, lexicon))


def with_calls(*phrases: str) -> str:
    """The sheet with a call for each phrase, called one, two, ..."""
    names = ("one", "two", "three")
    calls = (
        CALL.format(id=name, phrases=f'["{phrase}"]')
        for name, phrase in zip(names, phrases, strict=False)
    )
    return RIGHT.replace("[[checklist]]", "".join(calls) + "[[checklist]]")


def only(text: str) -> Note:
    (note,) = advice(text)
    return note


def test_a_sheet_without_fault_gets_no_advice() -> None:
    assert advice(RIGHT) == []


# ---------------------------------------------------------------------- what may be better

ADVICE = {
    "a sentence of two calls": (
        with_calls("[the] door [is] (open|ajar)", "door open [wide]"),
        ["[[call]] one", '"door open"', 'the call "two"', "reword"],
    ),
    "a sentence of two calls through their slots": (
        with_calls("plan {plan}", "plan (a|b)"),
        ["[[call]] one", '"plan a"', 'the call "two"', "reword"],
    ),
    "a sentence that a station's name makes another call's": (
        with_calls("leader ready", "ready"),
        ["[[call]] one", '"leader ready"', 'the call "two"', "reword"],
    ),
    "a call that is a read-back of another": (
        RIGHT.replace('readback = "key"', 'answers = ["{drug} in"]\nreadback = "key"'),
        ["[[call]] give", '"ketamine in"', 'the call "given"', "reword"],
    ),
    "a call that is a checklist item": (
        with_calls("suction [is] on"),
        ["[[call]] one", '"suction on"', 'the item "suction"', 'checklist "before"', "reword"],
    ),
    "a call that is a proword": (
        with_calls("stand by [the bed]"),
        ["[[call]] one", '"stand by"', "a proword", "reword"],
    ),
    "on and off": (
        with_calls("clamp the line on", "clamp the line off"),
        ["[[call]] one", '"clamp the line on"', '"clamp the line off"', "sounds nearly", "reword"],
    ),
    "two drugs of like names": (
        RIGHT.replace(
            "[[list]]",
            '[[drug]]\nid = "keta"\nspoken = ["keta mean"]\nunit = "mg"\n[[list]]',
        )
        + '[pronunciations]\nketa = "K EH T AH"\n',
        ["[[drug]] ketamine", '"ketamine"', '"keta mean"', "deciding"],
    ),
    "deciding slots that no phrase says together": (
        RIGHT.replace('["give {dose}"]', '["give {drug}", "give by {plan}"]').replace(
            'deciding = ["drug"]', 'deciding = ["drug", "plan"]'
        ),
        ["[[call]] give", "drug, plan", "no read-back", "fewer slots"],
    ),
    "a short read-back that reads back too little": (
        RIGHT.replace('["give {dose}"]', '["give {dose} by {plan}"]')
        .replace('readback = "key"', 'answers = ["{plan}"]\nreadback = "key"')
        .replace('deciding = ["drug"]', 'deciding = ["drug", "plan"]'),
        ["[[call]] give", "drug, plan", "only the whole call", "add an answer"],
    ),
    "a range without a source": (SHEET, ["[[drug]] ketamine", "no source", "add source"]),
    "a thing before itself": (
        RIGHT.replace('first = "give:ketamine"', 'first = "given"'),
        ["[[rule]] order", '"given"', "always keeps the rule", "remove"],
    ),
    "a thing before one kind of itself": (
        RIGHT.replace('first = "give:ketamine"', 'first = "given"').replace(
            'then = "given"', 'then = "given:ketamine"'
        ),
        ["[[rule]] order", '"given:ketamine"', "always keeps the rule", "remove"],
    ),
    "a count that its own event sets back": (
        RIGHT.replace('"before"\nfirst = "give:ketamine"', '"after-count"\nfirst = "given"')
        + "count = 3\nseconds = 10\n",
        ["[[rule]] order", '"given"', "always keeps the rule", "remove"],
    ),
    "sooner than its own wait": (
        RIGHT.replace('"before"\nfirst', '"at-least"\nseconds = 60\nfirst')
        + '[[rule]]\nid = "soon"\ntitle = "Soon"\nkind = "at-most"\nseconds = 30\n'
        'first = "give"\nthen = ["given:ketamine"]\n',
        ["[[rule]] soon", "30 s", "give:ketamine", "at least 60 s", 'rule "order"', "change one"],
    ),
    "again before the sheet allows it": (
        RIGHT.replace('unit = "mg"\nrange', 'unit = "mg"\nminimum_interval_s = 90\nrange')
        .replace('title = "Given"', 'title = "Given"\neffect = "given"')
        .replace('"before"\nfirst = "give:ketamine"', '"at-most"\nfirst = "given:ketamine"')
        .replace('then = "given"', 'then = "given:ketamine"\nseconds = 60'),
        ["[[rule]] order", "60 s", "minimum_interval_s = 90", "change one"],
    ),
    "a task that its report never names": (
        RIGHT.replace(
            'done_by = ["given"], limit_s = 60',
            'done_by = ["given"], same = ["amount"], limit_s = 60',
        ),
        ["[[call]] give", '"amount"', '"given" never says', "leave it out"],
    ),
    "an order of nothing": (
        with_calls("all ready for it").replace('title = "one"', 'title = "one"\neffect = "order"'),
        ["[[call]] one", 'effect = "order"', "add {drug}"],
    ),
    "a timer of no length": (
        with_calls("start the clock").replace(
            'title = "one"', 'title = "one"\neffect = "start-timer"'
        ),
        ["[[call]] one", 'effect = "start-timer"', "add {duration}"],
    ),
    "a vital sign without a value": (
        with_calls("pulse is good").replace(
            'title = "one"', 'title = "one"\nvital = { id = "p", unit = "/min", title = "P" }'
        ),
        ["[[call]] one", "no number", "add a slot"],
    ),
}


@pytest.mark.parametrize("fault", ADVICE)
def test_advice_is_one_sentence_with_its_place_and_cure(fault: str) -> None:
    text, words = ADVICE[fault]
    sentence = str(only(text))
    assert "\n" not in sentence
    for word in words:
        assert word in sentence, sentence


# ---------------------------------------------------------------------- what is well as it is


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(with_calls("door open", "window open wide"), id="calls that share a word"),
        pytest.param(with_calls("tube size", "tube depth"), id="calls that share their beginning"),
        pytest.param(
            with_calls("timer {seconds:number}", "size {mm:number}"), id="calls with a like slot"
        ),
        pytest.param(
            RIGHT.replace('readback = "key"', 'answers = ["{dose}"]\nreadback = "key"'),
            id="a short read-back that says what decides",
        ),
        pytest.param(
            RIGHT.replace('readback = "key"', 'answers = ["{amount}"]\nreadback = "key"').replace(
                'deciding = ["drug"]', 'deciding = ["drug", "amount"]'
            ),
            id="a number alone where numbers are enough",
        ),
        pytest.param(
            RIGHT.replace('"before"\nfirst', '"at-most"\nseconds = 60\nfirst').replace(
                'first = "give:ketamine"', 'first = "given"'
            ),
            id="the next of its kind in time",
        ),
        pytest.param(
            RIGHT.replace('"before"\nfirst', '"at-least"\nseconds = 30\nfirst')
            + '[[rule]]\nid = "soon"\ntitle = "Soon"\nkind = "at-most"\nseconds = 60\n'
            'first = "give"\nthen = "given"\n',
            id="no sooner and no later",
        ),
        pytest.param(
            RIGHT.replace(
                'done_by = ["given"], limit_s = 60',
                'done_by = ["given"], same = ["drug"], limit_s = 60',
            ),
            id="a task that its report names",
        ),
    ],
)
def test_what_is_well_gets_no_advice(text: str) -> None:
    assert advice(text) == []


def test_words_of_unknown_sound_are_not_compared() -> None:
    protocol = parse_protocol(with_calls("clamp the line on", "clamp the line off"))
    assert advise(protocol, {}) == ()


def test_adult_arrest_gets_no_advice() -> None:
    assert "note:" not in check("adult-arrest")


def test_advice_on_the_airway_protocol_is_short_and_about_words_of_the_trade() -> None:
    """On and off, start and stop, noradrenaline: common practice, no source, and read back."""
    notes = [line for line in check("isolation-airway").splitlines() if line.startswith("note: ")]
    assert all("sounds nearly like" in note for note in notes)
    assert len(notes) <= 6


# ---------------------------------------------------------------------- shared sentences, exactly

WORDS = st.sampled_from(["a", "ketamine", "tube", "[tube]", "(a|in)", "[in]", "{drug}", "{plan}"])
PHRASES = st.lists(WORDS, min_size=1, max_size=4).map(lambda words: " ".join(["go", *words]))


def sentences(protocol: Protocol, call: str) -> set[str]:
    """Every sentence of a call, written out: an independent way to find the shared ones."""
    slot = {"drug": "ketamine", "plan": "a"}
    return {
        " ".join(part if isinstance(part, str) else slot[part.type] for part in form)
        for node in protocol.calls[call].nodes
        for form in expansions(node, {})
    }


@settings(max_examples=60, deadline=None)
@given(PHRASES, PHRASES)
def test_two_calls_share_a_sentence_exactly_where_one_written_out_is_in_both(
    one: str, two: str
) -> None:
    protocol = parse_protocol(with_calls(one, two))
    both = sentences(protocol, "one") & sentences(protocol, "two")
    found = [
        said
        for said, meant in shared_sentences(protocol)
        if {"one", "two"} <= {body.call for body in meant}
    ]
    assert bool(found) == bool(both)
    if both:
        assert found[0] in both
        assert len(found[0].split()) == min(len(said.split()) for said in both)


def test_every_pair_of_bodies_is_told_once() -> None:
    text = with_calls("door (open|ajar) [wide]", "door (open|ajar)", "door open [wide]")
    pairs = [note for note in advice(text) if "is also" in note.text]
    assert len(pairs) == 3


# ---------------------------------------------------------------------- the command


def test_the_template_passes_check_without_advice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ours.toml"
    assert main(["check", "--new", str(path)]) == 0
    assert str(path) in capsys.readouterr().out
    assert main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "give|push" in out
    assert "note:" not in out


def test_the_template_shows_every_table_and_kind_there_is(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    main(["check", "--new", str(path)])
    text, protocol = path.read_text(encoding="utf-8"), load_protocol(str(path))
    for table in ("station", "drug", "list", "call", "checklist", "rule"):
        assert getattr(protocol, table), table
    kinds = ("full", "key", "acknowledge", "none", "before", "at-least", "at-most", "after-count")
    effects = ("order", "given", "start-timer", "timer-complete")
    for word in (*kinds, *effects):
        assert f'"{word}"' in text, word
    lines = text.splitlines()
    assert sum("#" in line for line in lines) > len(lines) / 4, "commented"


def test_an_existing_file_is_never_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ours.toml"
    path.write_text("ours", encoding="utf-8")
    assert main(["check", "--new", str(path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert "exists" in told.err
    assert path.read_text(encoding="utf-8") == "ours"


def test_a_template_into_nowhere_is_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--new", str(tmp_path / "none" / "ours.toml")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_advice_comes_after_the_summary_and_keeps_the_code_at_0(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(SHEET + '[pronunciations]\nketamine = "K EH T AH M IY N"\n', encoding="utf-8")
    assert main(["check", str(path)]) == 0
    *summary, last = capsys.readouterr().out.splitlines()
    assert last.startswith("note: [[drug]] ketamine: ")
    assert not any(line.startswith("note:") for line in summary)


def test_a_protocol_in_another_language_is_checked_without_a_dictionary(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(
        '[protocol]\nid = "ours"\ntitle = "Ours"\nlanguage = "ko"\n'
        '[[station]]\nid = "room"\nspoken = ["방"]\n'
        '[[call]]\nid = "door"\ntitle = "Door"\nphrases = ["문 닫힘"]\n'
        '[[call]]\nid = "shut"\ntitle = "Shut"\nphrases = ["문 닫힘"]\n',
        encoding="utf-8",
    )
    assert '"문 닫힘" is also the call "shut"' in check(str(path))
