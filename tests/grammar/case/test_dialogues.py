"""The table of dialogues: each file in dialogues/ is judged as a careful observer would judge it.

A file says what it expects in its `[expect]` table:

    loops       every loop, in order of opening; a loop lists what matters of it
    findings    every finding, by `rule`; `lines` are the lines it rests on, counted from 1
    tasks, doses, timers, vitals, checklists, countdowns
                every one, in order, where the table is there at all

Loops and findings are always compared, so that a dialogue without them expects none. `flags` must
be among the flags found, `without` must not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from grammar.case.view import Utterance, View
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.reports.summary import summary_json
from grammar.reports.written_dialogue import Dialogue, judge, parse_dialogue
from tests.support.places import TESTS

HERE = TESTS
FILES = sorted((HERE / "dialogues").glob("*.toml"))
TABLES = ("loops", "tasks", "doses", "timers", "vitals", "checklists", "findings", "countdowns")


def protocol_of(dialogue: Dialogue) -> Protocol:
    own = HERE.parent / dialogue.protocol
    return load_protocol(str(own) if own.suffix else dialogue.protocol)


def found_in(view: View) -> dict[str, list[dict[str, Any]]]:
    """What the summary says, with what is only on screen."""
    found = summary_json(view)
    countdowns = [
        {"rule": one.rule, "due": one.due, "wait": one.wait, "facts": list(one.facts)}
        for one in view.countdowns
    ]
    return {**{name: found[name] for name in TABLES[:-1]}, "countdowns": countdowns}


def lines_of(dialogue: Dialogue, utterances: Sequence[Utterance]) -> Mapping[int, int]:
    """Fact -> the line of the dialogue that it was heard in, from 1."""
    starts = [line.t for line in sorted(dialogue.say, key=lambda line: line.t)]
    return {said.fact: sum(t <= said.t + 1e-6 for t in starts) for said in utterances}


def agrees(wanted: Any, found: Any) -> bool:
    if isinstance(wanted, float) and isinstance(found, int | float):
        return math.isclose(wanted, found, abs_tol=0.01)
    return bool(wanted == found)


def differs(wanted: Mapping[str, Any], found: Mapping[str, Any], lines: Mapping[int, int]) -> str:
    """The first thing that is not as wanted, or nothing."""
    for name, value in wanted.items():
        match name:
            case "flags":
                if missing := set(value) - set(found["flags"]):
                    return f"lacks the flags {missing}"
            case "without":
                if too_many := set(value) & set(found["flags"]):
                    return f"has the flags {too_many}"
            case "lines":
                if (rests := [lines[fact] for fact in found["facts"]]) != value:
                    return f"rests on the lines {rests}"
            case "says":
                if value not in found["text"]:
                    return f"says {found['text']!r}"
            case _:
                assert name in found, f"no such thing to expect: {name}"
                if not agrees(value, found[name]):
                    return f"{name} is {found[name]!r}"
    return ""


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_dialogue_is_judged_as_a_careful_observer_would(path: Path) -> None:
    dialogue = parse_dialogue(path.read_text(encoding="utf-8"), path.name)
    assert dialogue.title
    assert set(dialogue.expect) <= set(TABLES)
    utterances, view = judge(protocol_of(dialogue), dialogue)
    found, lines = found_in(view), lines_of(dialogue, utterances)
    for name in TABLES:
        wanted = dialogue.expect.get(name)
        if wanted is None and name not in ("loops", "findings"):
            continue
        assert len(found[name]) == len(wanted or []), f"{name}: {found[name]}"
        for one, other in zip(wanted or [], found[name], strict=True):
            wrong = differs(one, other, lines)
            assert not wrong, f"{name}: {other}: {wrong}, not {one}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_line_of_a_dialogue_is_understood(path: Path) -> None:
    dialogue = parse_dialogue(path.read_text(encoding="utf-8"), path.name)
    whole = dialogue.model_copy(update={"until": None})
    utterances, _ = judge(protocol_of(dialogue), whole)
    strange = [said.text for said in utterances if said.role == "unrecognised"]
    marked = [line.words for line in dialogue.say if line.words.startswith("[unk]")]
    assert strange == marked


def test_every_kind_of_loop_state_and_rule_is_in_the_table() -> None:
    text = "\n".join(path.read_text(encoding="utf-8") for path in FILES)
    for state in ("open", "answered", "closed", "differs", "unanswered", "withdrawn"):
        assert re.search(rf'state = "{state}"', text), state
    for rule in load_protocol("isolation-airway").rule:
        assert f'rule = "{rule.id}"' in text, rule.id


def test_the_table_is_long_enough() -> None:
    assert len(FILES) >= 120
