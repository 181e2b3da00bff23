"""The one thing that somebody must see first, in words: what, to whom, what is wrong, how long."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from grammar.case.loops import Loop, LoopState
from grammar.case.timers import Timer
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.text.wording import (
    POSSIBLE_HELP_WORDS,
    STATE_MARKS,
    amount,
    call_in_words,
    called_and_read_back,
    clean,
    clock,
    doubt_of,
    drug,
    duration,
    heard_up_to,
    number,
    state_in_words,
    station,
    waiting_in_words,
)

Kind = Literal["help", "differs", "unanswered", "time-up", "overdue", "open", "behind", "none"]


CALLED = ", called "
"""Stands in `Urgent.wrong` before what was called."""


@dataclass(frozen=True, slots=True)
class Urgent:
    """The most urgent thing at one moment, for people."""

    kind: Kind
    what: str
    """The call, dose or timer it is about."""
    wrong: str
    """Its trouble in a few words; "" where nothing is wrong yet."""
    to: str = ""
    """The station it was called to; "" where none was named."""
    age_s: float | None = None
    """Seconds since it began to wait; None where nothing waits."""
    figures: str = ""
    """The number called with its unit, or both numbers of a read-back that differs; "" without."""
    doubt: str = ""
    """The doubt about the call in the words of the log, "(unsure)"; "" where there is none."""
    settles: str = ""
    """The name of the key that settles it, as in the settings; "" where no one key does."""

    @property
    def mark(self) -> str:
        """The sign of its state, as everywhere on the screen."""
        states: dict[Kind, LoopState] = {
            "differs": "differs",
            "unanswered": "unanswered",
            "open": "open",
            "behind": "open",
            "none": "closed",
        }
        return STATE_MARKS[states.get(self.kind, "unanswered")]


def most_urgent(protocol: Protocol, view: View) -> Urgent:
    """Return the one thing to see first.

    A call for help that waits comes first, then a possible one; these before a read-back that differs,
    that before a call that nobody answered, that before a timer that is up, an order that is overdue, a
    timer of the recorder's own that is up, and a call inside its window.
    """
    waiting = view.waiting
    # A doubtful one that opened a call is one cry, not a call and a possible one.
    possible = {said.fact for said in view.possible_help}
    helps = (pair for pair in waiting if _for_help(protocol, pair[0]))
    certain = [pair for pair in helps if pair[0].fact not in possible]
    if certain:
        return _help_needed(protocol, *certain[0], view, len(certain) - 1)
    if view.possible_help:
        return _possible_help(view)
    if waiting and waiting[0][1] in ("differs", "unanswered"):
        return _of_call(protocol, *waiting[0], view)
    up = sorted(
        (t for t, state in view.timers if state == "done"), key=lambda timer: (timer.own, timer.due)
    )
    if up and not up[0].own:
        return _time_up(up[0], view)
    late = sorted((t for t, state in view.tasks if state == "overdue"), key=lambda task: task.due)
    if late:
        task = late[0]
        what = call_in_words(protocol, task.call, task.slots)
        return Urgent("overdue", what, "NOT REPORTED DONE", age_s=view.now - task.due)
    if up:
        return _time_up(up[0], view)
    if waiting and waiting[0][1] in ("open", "unheard", "unknown"):
        return _of_call(protocol, *waiting[0], view)
    return Urgent("behind" if heard_up_to(view) else "none", nothing_waits(view), "")


def nothing_waits(view: View) -> str:
    """Return that no call waits, in words; and how many orders are not yet reported done. While hearing
    lags it says up to where it has come, and nothing that reassures."""
    if behind := heard_up_to(view):
        return behind[0].upper() + behind[1:]
    unsure = len(view.unsure)
    rest = _not_done(view) + ([f"{unsure} unsure: choose what was said"] if unsure else [])
    return f"No call waits; {'; '.join(rest)}" if rest else "Every call is answered"


def still_open(view: View) -> str:
    """Return what nobody has closed, in words; "" where nothing is open."""
    calls, unsure = {loop.fact for loop, _ in view.waiting}, {said.fact for said in view.unsure}
    waits, both, others = len(view.waiting), len(calls & unsure), len(unsure - calls)
    doubtful, more = (f" ({both} unsure)", "more ") if both else ("", "")
    told = [f"{waits} {'call waits' if waits == 1 else 'calls wait'}{doubtful}"] if waits else []
    told += _not_done(view) + ([f"{others} {more}unsure"] if others else [])
    return f"Still open: {'; '.join(told)}." if told else ""


def _not_done(view: View) -> list[str]:
    left = sum(1 for _, state in view.tasks if state in ("pending", "overdue"))
    return [f"{left} {'order is' if left == 1 else 'orders are'} not reported done"] if left else []


def _time_up(timer: Timer, view: View) -> Urgent:
    length = duration(round(timer.duration_s + timer.extended_s, 1))
    return Urgent("time-up", f"TIMER {length}", "TIME IS UP", age_s=view.now - timer.due)


def _for_help(protocol: Protocol, loop: Loop) -> bool:
    call = protocol.calls.get(loop.call)
    return call is not None and call.help


def _help_needed(
    protocol: Protocol, loop: Loop, state: LoopState, view: View, others: int
) -> Urgent:
    found = _of_call(protocol, loop, state, view)
    more = f" +{others} more" if others else ""
    perhaps = len(view.possible_help)
    maybe = f" +{perhaps} possible" if perhaps else ""
    words = f"CALL FOR HELP{more}{maybe}: {found.what}"
    return replace(found, kind="help", what=words)


def _possible_help(view: View) -> Urgent:
    said, others = view.possible_help[0], len(view.possible_help) - 1
    words = clean(said.likely or said.text)
    more = f" (+{others} more)" if others else ""
    return Urgent(
        "help",
        f"{POSSIBLE_HELP_WORDS}{more}: {words}",
        f"heard at {clock(said.t)}",
        age_s=view.now - said.until,
        settles="help-called",
    )


def _of_call(protocol: Protocol, loop: Loop, state: LoopState, view: View) -> Urgent:
    doubt = doubt_of(view, loop)
    what = f"{waiting_in_words(protocol, loop.call, loop.slots)} {doubt}".rstrip()
    to, age = station(protocol, loop.to), loop.age(view.now)
    if state == "differs":
        called, said = called_and_read_back(protocol, loop.call, loop.slots, loop.differing or {})
        wrong = f"READ BACK {said}{CALLED}{called}"
        return Urgent(
            kind="differs",
            what=what,
            wrong=wrong,
            to=to,
            age_s=age,
            figures=f"{called}  {STATE_MARKS['differs']}  {said}",
            doubt=doubt,
        )
    wrong = state_in_words(protocol, loop.call, state)
    kind: Kind = "unanswered" if state == "unanswered" else "open"
    return Urgent(
        kind=kind,
        what=what,
        wrong=wrong,
        to=to,
        age_s=age,
        figures=_figures(protocol, loop),
        doubt=doubt,
    )


def _figures(protocol: Protocol, loop: Loop) -> str:
    """Return the dose or the one number that was called; "" where there is none."""
    slots = loop.slots
    if "amount" in slots:
        named = f"{drug(protocol, str(slots['drug']))} " if "drug" in slots else ""
        value = slots["amount"]
        return named + amount(None if isinstance(value, str) else value, str(slots.get("unit", "")))
    numbers = [
        duration(value) if name.endswith("_s") else number(value)
        for name, value in slots.items()
        if not isinstance(value, str)
    ]
    return numbers[0] if len(numbers) == 1 else ""
