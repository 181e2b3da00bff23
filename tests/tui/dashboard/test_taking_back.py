"""What one key stores says for five seconds how it is taken back, at every entry of every menu; anything
with a drug or a dose is read first and takes Enter."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from decimal import Decimal

import pytest

from grammar.case.facts import AnsweredByHand, CaseEnded, Fact, Heard, Withdrawn
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol, shipped
from grammar.protocol.model import Call, Protocol
from tests.support.screens import ShownCase, case, desk, heard
from tui.dashboard.call_entry import in_order, letters, steps
from tui.dashboard.dialogs.dialog import BOUNCE_S, Dialog
from tui.dashboard.dialogs.enter import EnterDialog
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.typing_guard import TYPING_S
from tui.dashboard.widgets.header import Partial, notice_rows

SMALL = (80, 24)
ORDER = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
SATURATION = heard(20, "saturation ninety four percent", "airway-operator")
RATE = heard(22, "heart rate one hundred")


def by_hand(seen: ShownCase) -> list[Fact]:
    return [fact for fact in seen.case.facts[1:] if not isinstance(fact, Heard)]


def told(seen: ShownCase) -> str:
    seen.app.look()
    return " ".join(str(seen.app.query_one(Partial).content).split())


async def command(seen: ShownCase, *keys: str) -> None:
    """Press keys a moment after the ones before, as a hand that means a command does."""
    await seen.wait(TYPING_S)
    await seen.pilot.press(*keys)


def entries(rules: Protocol) -> Iterator[tuple[Call, list[str]]]:
    """Each call of the palette with the keys that choose it, and a value at each of its steps."""
    listed = in_order(rules.call)
    for call, key in zip(listed, letters([call.title for call in listed]), strict=True):
        keys = [key]
        for step in steps(rules, call):
            if step.kind == "choice":
                keys.append(letters([title for _, title in step.choices])[0])
            else:
                low = [call.bounds[name].low for name in step.names if name in call.bounds]
                numbers = [f"{max(low, default=60):g}"] * len(step.names)
                keys += [*"/".join(numbers), "enter"]
        yield call, keys


def hands_of(rules: Protocol) -> tuple[ManualEntry, list[Fact]]:
    """The acts of a person in a case by this protocol, a minute old, and the facts that they become."""
    facts: list[Fact] = []
    return ManualEntry(rules, facts.append, lambda: facts, lambda: 60.0), facts


def shown(dialog: Dialog) -> str:
    return " ".join(line.plain for line in dialog.lines())


@pytest.mark.parametrize("name", shipped())
def test_every_call_takes_enter_or_stores_what_can_be_taken_back_at_once(name: str) -> None:
    rules = load_protocol(name)
    at_once = 0
    for call, keys in entries(rules):
        manual, facts = hands_of(rules)
        dialog = EnterDialog(KeyMap(), manual, rules.call)
        for key in keys:
            dialog.struck(key, key if len(key) == 1 else None)
        assert not dialog.error, (call.title, dialog.error)
        dose = {"drug", "amount"} & set(call.slots)
        if dialog.left:
            assert not dose, call.title
            assert not keys[-1].isdigit(), f"{call.title}: a digit alone stores nothing"
            assert [fact.kind for fact in facts] == ["entered"]
            at_once += 1
        else:
            assert "WILL BE STORED" in shown(dialog), call.title
            assert not facts
    assert at_once


@pytest.mark.parametrize("name", shipped())
def test_a_digit_alone_stores_no_call(name: str) -> None:
    rules = load_protocol(name)
    for call, keys in entries(rules):
        if keys[0].isdigit():
            manual, facts = hands_of(rules)
            dialog = EnterDialog(KeyMap(), manual, rules.call)
            dialog.struck(keys[0], keys[0])
            assert not facts, call.title
            assert len(keys) > 1 or "WILL BE STORED" in shown(dialog)


@pytest.mark.parametrize("width", [78, 118])
@pytest.mark.parametrize("name", shipped())
def test_no_call_is_too_long_for_the_way_back_beside_it(name: str, width: int) -> None:
    rules = load_protocol(name)
    for call, keys in entries(rules):
        manual, _ = hands_of(rules)
        dialog = EnterDialog(KeyMap(), manual, rules.call)
        for key in [*keys, "enter"]:
            dialog.struck(key, key if len(key) == 1 else None)
        told = notice_rows(f"{dialog.result or call.title}   (u takes it back)", width)
        assert told[-1].plain.endswith("(u takes it back)")


AT_ONCE = [
    ["c", "4", "b"],
    ["v", "s", "9", "4", "enter"],
    ["k", "s"],
    ["m"],
    ["="],
    ["s", "d"],
    ["h", "1"],
    ["t", "e"],
    ["t", "s"],
    ["f", "n"],
]
"""Keys after which something is stored without being read first, one of each menu."""


@pytest.mark.parametrize("keys", AT_ONCE, ids=" ".join)
async def test_what_a_key_stores_at_once_says_how_it_is_taken_back(
    keys: list[str],
) -> None:
    timer = heard(5, "timer ninety", "team-leader")
    size = heard(30, "airway operator tube size eight", "team-leader")
    perhaps = Heard(t=32, until=33, words=(Word("[unk]", 32, 33, 0.2),), likely="need help")
    after = {"h": (size,), "f": (perhaps,)}.get(keys[0], (SATURATION, RATE))
    said: tuple[Fact, ...] = (timer, *after)
    async with desk(case(*said), 35, SMALL) as seen:
        await seen.text()
        await seen.pilot.press(*keys)
        assert by_hand(seen)
        assert told(seen).endswith("(u takes it back)")
        assert told(seen).count("takes") == 1


def stands(seen: ShownCase) -> object:
    """All that a person at the keyboard can change, as it stands now."""
    view = seen.case.view(35)
    said = [line.utterance for line in view.log if line.utterance]
    return (
        [(loop.id, state) for loop, state in view.waiting],
        view.timers,
        [dict(each.answered) for each in view.checklists],
        view.latest_vitals,
        view.possible_help,
        {each.fact: each.sender for each in said if "entered" not in each.flags},
        view.weight_kg,
    )


@pytest.mark.parametrize("keys", AT_ONCE, ids=" ".join)
async def test_the_way_back_that_is_told_leads_back(keys: list[str]) -> None:
    timer = heard(5, "timer ninety", "team-leader")
    size = heard(30, "airway operator tube size eight", "team-leader")
    perhaps = Heard(t=32, until=33, words=(Word("[unk]", 32, 33, 0.2),), likely="need help")
    after = {"h": (size,), "f": (perhaps,)}.get(keys[0], (SATURATION, RATE))
    said: tuple[Fact, ...] = (timer, *after)
    async with desk(case(*said), 35, SMALL) as seen:
        await seen.text()
        before = stands(seen)
        await seen.pilot.press(*keys)
        assert keys == ["m"] or stands(seen) != before
        await asyncio.sleep(BOUNCE_S)  # at once it would be typed text
        await seen.pilot.press("u")
        assert "taken back" in told(seen)
        assert stands(seen) == before
        marks = [line for line in seen.case.view(35).log if line.kind == "mark"]
        gone = [fact.target for fact in seen.case.facts if isinstance(fact, Withdrawn)]
        assert {line.fact for line in marks} <= set(gone)


def standing(seen: ShownCase) -> list[str]:
    """The kinds of what was done by hand and stands."""
    gone = {fact.target for fact in seen.case.facts if isinstance(fact, Withdrawn)}
    acts = [fact for fact in by_hand(seen) if not isinstance(fact, CaseEnded | Withdrawn)]
    return [fact.kind for fact in acts if fact.seq not in gone]


async def test_in_an_ended_case_one_key_takes_back_one_act_though_all_bear_the_same_time() -> None:
    async with desk(case(SATURATION, CaseEnded(t=35)), 35, SMALL) as seen:
        await seen.text()
        await command(seen, "v", "h", "9", "9", "enter")
        await command(seen, "m")
        await command(seen, "n", "x", "enter")
        assert standing(seen) == ["entered", "noted", "noted"]
        for left in (["entered", "noted"], ["entered"], []):
            await command(seen, "u")
            assert standing(seen) == left
        assert "taken back: entry Heart rate 99" in told(seen)
        await command(seen, "u")
        assert "nothing is left to take back" in told(seen)


async def test_two_entries_with_the_same_written_time_are_taken_back_one_by_one() -> None:
    written = ["tab", "tab", "tab", "0", ":", "0", "5", "enter"]
    async with desk(case(SATURATION), 35, SMALL) as seen:
        await seen.text()
        await command(seen, "v", *written, "s", "9", "4", "enter")
        await command(seen, "v", *written, "h", "9", "9", "enter")
        assert [fact.t for fact in by_hand(seen)] == [5, 5]
        await command(seen, "u")
        assert standing(seen) == ["entered"]
        signs = [line.utterance for line in seen.case.view(35).log if line.utterance]
        assert [each.call for each in signs] == ["saturation", "saturation"]
        await command(seen, "u")
        assert standing(seen) == []


def test_an_answer_heard_at_the_time_of_its_call_is_taken_back_before_the_call() -> None:
    made = case(CaseEnded(t=60))
    seen = ShownCase(made, 60)
    manual = seen.manual()
    said = manual.enter("start-timer", [("duration_s", Decimal(90))])
    assert said
    manual.heard(said.fact)
    assert manual.undo() == "that an answer was heard"
    assert (manual.undo() or "").startswith("entry")
    assert manual.undo() is None


def test_a_timer_of_the_recorders_own_is_taken_back_whole_by_one_key_also_in_a_case_taken_up() -> (
    None
):
    seen = ShownCase(case(CaseEnded(t=60)), 60)
    manual = seen.manual()
    manual.start_timer("start-timer", [("duration_s", Decimal(90))])
    manual.mark()
    assert isinstance(seen.case.facts[-2], AnsweredByHand)
    later = seen.manual()  # knows what is stored alone
    assert (later.undo() or "").startswith("mark")
    assert (later.undo() or "").startswith("entry")
    assert later.undo() is None
    assert not seen.case.view(60).timers


async def test_what_is_told_since_leaves_the_way_back_in_sight_for_five_seconds() -> None:
    async with desk(case(SATURATION), 30, SMALL) as seen:
        await seen.text()
        await seen.pilot.press("c", "4", "b")
        await asyncio.sleep(BOUNCE_S)
        await seen.pilot.press("f")  # nothing may be a call for help
        assert "nothing heard may be a call for help" in told(seen)
        assert "u takes back: entered: Send in bougie" in told(seen)
        await command(seen, "u")
        assert "taken back" in told(seen)
        await asyncio.sleep(BOUNCE_S)
        await seen.pilot.press("f")
        assert "takes back" not in told(seen)


@pytest.mark.parametrize("width", [80, 120])
async def test_a_long_notice_takes_a_second_row_and_is_not_cut(width: int) -> None:
    cured = heard(20, "suction is on", "airway-operator")
    async with desk(case(cured), 60, (width, 24)) as seen:
        await seen.text()
        await seen.pilot.press("k", "s")
        await seen.pilot.pause()
        found = " ".join(str(seen.app.box.content).split())
        assert "was ticked by voice at 00:20; a: put right what was said, if it was not so" in found
