"""Every key of the dashboard, pressed: what it does to the case is a further fact, seen at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from textual.events import Key

from grammar.case.facts import (
    Amended,
    AnsweredByHand,
    Confirmed,
    Entered,
    Fact,
    Heard,
    Noted,
    RecordingSet,
    SpeakerSet,
    Ticked,
    TimerChanged,
    WeightSet,
    Withdrawn,
)
from grammar.case.view import HeardUpTo
from grammar.language.words import Word
from listener.team.card_in_case import CardProgress
from tests.support.screens import ShownCase, case, desk, heard, note, protocol
from tui.dashboard.call_entry import in_order, letters
from tui.dashboard.keys import TABLE, UNSURE_ITEMS
from tui.dashboard.typing_guard import TYPING_S
from tui.dashboard.widgets.log import RunningLog
from tui.text.wording import CHOSEN

ORDER = heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader")
TIMERS = (heard(20, "timer sixty", "team-leader"), heard(24, "timer ninety", "team-leader"))
UNSURE = (
    heard(30, "heart rate sixteen", "drugs-nurse", 0.2),
    heard(32, "oxygen is on", "airway-operator", 0.2),
    heard(34, "room ready", "anteroom", 0.2),
)
SAID: tuple[Fact, ...] = (ORDER, *TIMERS, *UNSURE)
"""Facts 2 to 7 of an invented case; the second guesses of the last three are written below."""

HEARD_THEN = 60.0
"""Now, the default of an answer: nothing that may have been it was heard in the window of its call."""

SECOND = ("heart rate sixty", "oxygen is off", "drugs ready")


def last(seen: ShownCase) -> Fact:
    return seen.case.facts[-1]


def palette(call: str) -> str:
    """The key of a call in the palette."""
    listed = in_order(protocol().call)
    return dict(zip([c.id for c in listed], letters([c.title for c in listed]), strict=True))[call]


def told(wanted: Fact, at: float | None = None) -> Callable[[ShownCase], bool]:
    """The last fact is this one, whatever its number, told as of `at` or of now."""

    def check(seen: ShownCase) -> bool:
        found = last(seen)
        names = set(type(wanted).__dataclass_fields__) - {"seq", "t"}
        same = all(getattr(found, name) == getattr(wanted, name) for name in names)
        return type(found) is type(wanted) and same and found.t == (seen.now if at is None else at)

    return check


def dialog_open(text: str) -> Callable[[ShownCase], bool]:
    return lambda seen: seen.app.box.dialog is not None and text in shown(seen)


def no_dialog(seen: ShownCase) -> bool:
    return seen.app.box.dialog is None


def shown(seen: ShownCase) -> str:
    return str(seen.app.box.content)


def log(seen: ShownCase) -> RunningLog:
    return seen.app.query_one(RunningLog)


@dataclass
class Pressed:
    keys: tuple[str, ...]
    check: Callable[[ShownCase], bool]
    more: tuple[Fact, ...] = ()
    """Facts after those of `SAID`."""
    heard: HeardUpTo | None = None
    """How far hearing has come, where it lags."""


HELP = Heard(t=45, until=46, words=(Word("[unk]", 45, 46, 0.2),), likely="need help")


def unsure(item: int) -> dict[str, Pressed]:
    fact = 5 + item
    return {
        f"unsure-{2 * item + 1}": Pressed(
            (str(2 * item + 1), "wait:750", "enter"), told(Confirmed(t=0, target=fact))
        ),
        f"unsure-{2 * item + 2}": Pressed(
            (str(2 * item + 2), "wait:750", "enter"),
            told(Amended(t=0, target=fact, words=SECOND[item])),
        ),
    }


SATS = Entered(t=0, call="saturation", slots=(("percent", 94.0),))
EVERY: dict[str, Pressed] = {
    "help": Pressed(("question_mark",), lambda seen: seen.app.query_one("#help-area").display),
    "call": Pressed(("c", "s", "9", "4", "enter"), told(SATS)),
    "vital": Pressed(("v", "s", "9", "4", "enter"), told(SATS)),
    "weight": Pressed(("w", "6", "5", "enter"), told(WeightSet(t=0, weight_kg=65))),
    "heard": Pressed(
        ("h", "1", "wait:750", "enter"),
        told(AnsweredByHand(t=0, loop=2, own_timer=False), HEARD_THEN),
    ),
    **{key: pressed for item in range(UNSURE_ITEMS) for key, pressed in unsure(item).items()},
    "amend": Pressed(
        ("a", "2", "wait:750", "enter"), told(Amended(t=0, target=7, words="drugs ready"))
    ),
    "unsure-rest": Pressed(("7",), lambda seen: "nothing more is unsure" in seen.app._notice),
    "help-called": Pressed(("f",), dialog_open("was help called?"), (HELP,)),
    "help-yes": Pressed(("f", "y"), told(Amended(t=0, target=8, words="need help")), (HELP,)),
    "help-no": Pressed(("f", "n"), told(Confirmed(t=0, target=8)), (HELP,)),
    "speaker": Pressed(("s", "o"), told(SpeakerSet(t=0, target=7, station="outside"))),
    "note": Pressed(
        ("n", *"leak", "space", *"heard", "enter"), told(Noted(t=0, text="leak heard"))
    ),
    "handover": Pressed(("o",), lambda seen: seen.app.box.dialog is not None),
    "mark": Pressed(("m",), told(Noted(t=0, text="marked for the debrief", mark=True))),
    "timers": Pressed(("t",), dialog_open("TIMERS")),
    "tick": Pressed(("k", "s"), told(Ticked(t=0, checklist="before-induction", item="suction"))),
    "same-speaker": Pressed(
        ("s", "o", "="), told(SpeakerSet(t=0, target=7, station="airway-operator"))
    ),
    "say-again": Pressed(("y",), lambda seen: seen.said != []),
    "find": Pressed(("/",), dialog_open("FIND IN THE LOG")),
    "play": Pressed(("p",), lambda seen: seen.played == [(50.0, 60.0)]),
    "record": Pressed(("r",), told(RecordingSet(t=0, on=False))),
    "undo": Pressed(("m", "u"), told(Withdrawn(t=0, target=8))),
    "theme": Pressed(("d",), lambda seen: seen.app.theme == "answerback-bright"),
    "quit": Pressed(("q", "q"), lambda seen: seen.app._exit),
    "log-up": Pressed(("home", "down", "up"), lambda seen: log(seen).scroll_offset.y == 0),
    "log-down": Pressed(("home", "down"), lambda seen: log(seen).scroll_offset.y == 1),
    "page-up": Pressed(("pageup",), lambda seen: not log(seen).following),
    "page-down": Pressed(("home", "pagedown"), lambda seen: log(seen).scroll_offset.y > 1),
    "log-start": Pressed(("home",), lambda seen: log(seen).scroll_offset.y == 0),
    "log-end": Pressed(("home", "end"), lambda seen: log(seen).following),
    "close": Pressed(("c", "escape"), no_dialog),
    "words": Pressed(
        ("a", "e", "ctrl+u", *"no", "space", *"leak", "enter"),
        told(Amended(t=0, target=7, words="no leak")),
    ),
    "accept": Pressed(("a", "a"), told(Confirmed(t=0, target=7))),
    "withdraw": Pressed(("a", "w", "wait:750", "enter"), told(Withdrawn(t=0, target=7))),
    "who": Pressed(("a", "s", "n"), told(SpeakerSet(t=0, target=7, station="anteroom"))),
    "older": Pressed(("a", "up", "a"), told(Confirmed(t=0, target=6))),
    "newer": Pressed(("a", "up", "up", "down", "a"), told(Confirmed(t=0, target=6))),
    "timer-start": Pressed(("t", "n", "3", "m", "enter"), lambda seen: started(seen, 180)),
    "timer-stop": Pressed(("t", "s"), told(TimerChanged(t=0, timer=3, change="stop"))),
    "timer-extend": Pressed(
        ("t", "e"), told(TimerChanged(t=0, timer=3, change="extend", seconds=60))
    ),
    "timer-next": Pressed(("t", "down", "s"), told(TimerChanged(t=0, timer=4, change="stop"))),
    "timer-before": Pressed(
        ("t", "down", "up", "s"), told(TimerChanged(t=0, timer=3, change="stop"))
    ),
    "enter-who": Pressed(
        (
            "c",
            "tab",
            "a",
            "tab",
            "tab",
            "d",
            "g",
            "k",
            "tab",
            "escape",
            "c",
            "tab",
            "d",
            "r",
            "enter",
        ),
        told(Entered(t=0, call="radio-check", to="drugs-nurse")),
    ),
    "card": Pressed(("j", "o"), dialog_open("Outside says yes now")),
    "card-yes": Pressed(("j", "o", "y"), lambda seen: reads(seen).station == "outside"),
    "card-skip": Pressed(
        ("j", "o", "y", "wait:300", "j", "s"), lambda seen: reads(seen).number == 2
    ),
    "card-end": Pressed(("j", "o", "y", "wait:300", "j", "e"), lambda seen: not reads(seen).phrase),
    "enter-back": Pressed(("c", "s", "backspace"), dialog_open("Heart rate")),
    "leave-wait": Pressed(
        ("q", "w"), lambda seen: seen.calls == ["start", "hear out"], heard=HeardUpTo(20, 20)
    ),
}


def reads(seen: ShownCase) -> CardProgress:
    """The one card that was begun."""
    (card,) = seen.cards
    return card.progress


def started(seen: ShownCase, seconds: float) -> bool:
    """A timer runs that nobody has to read back."""
    view = seen.case.view(seen.now)
    timer, state = view.timers[-1]
    loops = [loop for loop, _ in view.loops if loop.fact == timer.fact]
    return timer.duration_s == seconds and state == "running" and not loops


def test_every_key_is_tried_here() -> None:
    assert set(EVERY) == {key.id for key in TABLE}


@pytest.mark.parametrize("key", [key.id for key in TABLE])
async def test_a_key_does_what_the_help_says(key: str) -> None:
    filler = [note(40 + t / 10, f"note {t}") for t in range(60)] if "log" in key else []
    filler = filler or ([note(40 + t / 10, f"n {t}") for t in range(60)] if "page" in key else [])
    facts = (*SAID, *EVERY[key].more, *filler)
    async with desk(case(*facts), 60, (100, 40), speaks=True, joins=True) as seen:
        seen.heard = EVERY[key].heard
        await seen.text()
        await seen.pilot.press(*EVERY[key].keys)
        await seen.pilot.pause()
        if key in ("play", "say-again"):
            await seen.app.workers.wait_for_complete()
        assert EVERY[key].check(seen)


async def test_an_entered_order_says_for_whom_it_is_and_who_gave_it() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press(*"cg", "tab", "d", "tab", "tab", "t", "k", *"70", "enter")
        await seen.read_and_enter()
        found = last(seen)
        assert isinstance(found, Entered)
        assert (found.call, found.to, found.sender) == ("give-drug", "drugs-nurse", "team-leader")
        assert "Give ketamine 70 mg → Drugs nurse" in await seen.text()


async def test_a_dialog_too_long_for_the_terminal_scrolls_to_what_is_chosen() -> None:
    async with desk(case(), 60, (80, 16)) as seen:
        await seen.text()
        await seen.pilot.press("c")
        await seen.pilot.pause()
        titles = [call.title for call in in_order(seen.case.protocol.call)]
        assert f"{CHOSEN}s {titles[0]}" in shown(seen)
        assert len(shown(seen).splitlines()) <= 11
        await seen.pilot.press("pagedown", "pagedown")
        assert titles[21] in shown(seen)
        assert titles[0] not in shown(seen)
        await seen.pilot.press("up")
        assert CHOSEN in shown(seen)
        await seen.pilot.press("!")
        assert 'no letter "!" stands here' in shown(seen)


async def test_keys_struck_faster_than_the_screen_draws_are_all_taken() -> None:
    async with desk(case(*SAID), 60) as seen:
        await seen.text()
        for key in ("c", "s", "9", "4", "enter", "m"):
            seen.app.post_message(Key(key, key if len(key) == 1 else None))
        await seen.pilot.pause(0.5)
        kinds = [fact.kind for fact in seen.case.facts[-2:]]
    assert kinds == ["entered", "noted"]


async def test_undo_goes_back_through_what_was_done_and_the_log_tells() -> None:
    async with desk(case(*SAID), 60, (120, 50)) as seen:
        await seen.text()
        await seen.pilot.press("t", "n", "3", "m", "enter")
        seen.now = 61
        await seen.pilot.press("m")
        seen.now = 62
        await seen.pilot.press("u")
        assert "taken back: mark" in await seen.text()
        assert len(seen.case.view(70).timers) == 3
        await seen.pilot.press("u")
        # The timer and that nobody need answer it were one act.
        assert len(seen.case.view(70).timers) == 2
        before = len(seen.case.facts)
        await seen.pilot.press("u")
        assert "nothing is left to take back" in await seen.text()
        assert len(seen.case.facts) == before


async def test_what_was_withdrawn_by_mistake_comes_back() -> None:
    async with desk(case(ORDER), 15) as seen:
        await seen.text()
        await seen.pilot.press("a", "w")
        assert "WILL BE TAKEN OUT  ORDER: Give ketamine 90 mg" in shown(seen)
        await seen.read_and_enter()
        assert "u takes it back" in await seen.text()
        assert "every call is answered" in (await seen.text()).lower()
        await seen.wait(TYPING_S)
        await seen.pilot.press("u")
        assert "Give ketamine 90 mg" in await seen.text()


async def test_esc_leaves_every_dialog_and_the_log_keeps_its_place() -> None:
    notes = [note(40 + t / 10, f"note {t}") for t in range(60)]
    async with desk(case(*SAID, *notes), 60) as seen:
        await seen.text()
        await seen.pilot.press("pageup", "up")
        top = log(seen).top_entry
        facts = len(seen.case.facts)
        for key in ("c", "v", "h", "a", "s", "n", "t", "k", "q"):
            await seen.wait(TYPING_S)  # letters right after a list of items belong to it
            await seen.pilot.press(key)
            await seen.text()
            assert seen.app.box.dialog is not None
            await seen.pilot.press("escape")
            assert seen.app.box.dialog is None
        await seen.text()
        assert log(seen).top_entry == top
        assert len(seen.case.facts) == facts


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        (("v", "s", *"940", "enter"), "between 20 and 100"),
        (("v", "s", "enter"), "write one number"),
        (("v", "b", *"130", "enter"), "write 2 numbers"),
        (("c", "t", *"soon", "enter"), "no duration"),
        (("c", "g", "k", *"9", "x", "enter"), "no unit"),
        (("c", "g", "k", *"1,000", "enter"), "a thousand or one"),
        (("c", "!"), 'no letter "!"'),
        (("n", "enter"), "nothing to note"),
        (("a", "9"), "choose 1 to"),
        (("h", "9"), "choose 1 to"),
    ],
)
async def test_a_slip_is_told_in_a_sentence_and_nothing_is_stored(
    keys: tuple[str, ...], says: str
) -> None:
    async with desk(case(*SAID), 60) as seen:
        await seen.text()
        facts = len(seen.case.facts)
        await seen.pilot.press(*keys)
        assert says in shown(seen)
        assert len(seen.case.facts) == facts


async def test_a_call_of_drugs_takes_its_drug_its_amount_and_another_unit() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("c", "g", "k", *"0.1", "space", "g", "enter")
        await seen.read_and_enter()
        assert told(
            Entered(
                t=0,
                call="give-drug",
                slots=(("drug", "ketamine"), ("amount", 0.1), ("unit", "g")),
            )
        )(seen)
        await seen.pilot.press("c", palette("drug-given"), "k", "enter")
        await seen.read_and_enter()
        assert told(Entered(t=0, call="drug-given", slots=(("drug", "ketamine"),)))(seen)
        await seen.pilot.press("v", "b", *"130/80", "enter")
        assert seen.case.view(60).latest_vitals[-1].text == "130/80"


async def test_calls_without_a_value_take_two_keys_and_enter_and_of_a_list_three() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("c", palette("room-ready"))
        assert not any(isinstance(fact, Entered) for fact in seen.case.facts)
        await seen.read_and_enter()
        assert told(Entered(t=0, call="room-ready"))(seen)
        await seen.wait(TYPING_S)
        await seen.pilot.press("c", palette("switch-plan"), "b")
        assert told(Entered(t=0, call="switch-plan", slots=(("plan", "bravo"),)))(seen)


async def test_ctrl_c_asks_about_the_case_in_our_own_words() -> None:
    async with desk(case(), 60) as seen:
        await seen.text()
        await seen.pilot.press("ctrl+c")
        assert "END THE CASE?" in shown(seen)
        await seen.pilot.press("x", "enter")
        assert "the case goes on" in shown(seen) or "END THE CASE?" in shown(seen)
        assert seen.app.is_running
