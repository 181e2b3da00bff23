"""The truth beside a clip: what was said when, and what a listener who misses nothing must find.

It follows from the roles and slots that the script's author wrote and from the protocol's windows,
by a few lines of its own: parser and fold are what the truth is held against, so it uses neither.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from grammar.protocol.model import Protocol
from sample_audio_synthetic.script import Line, Script

NOTE = "Invented for training: no real patient, place or person; the values are no advice."


@dataclass(frozen=True, slots=True)
class Placed:
    """A line where it lies in the clip: start and end of the voice in seconds."""

    line: Line
    t: float
    until: float


@dataclass(slots=True)
class _Loop:
    call: str
    slots: dict[str, Any]
    t: float
    asked: float
    window_s: float
    answered: float | None = None
    late: bool = False
    differed: bool = False
    flags: list[str] = field(default_factory=list)

    def told(self, end_s: float) -> dict[str, Any]:
        waiting = "unanswered" if end_s > self.asked + self.window_s else "open"
        found: dict[str, Any] = {"call": self.call, "slots": self.slots, "t": self.t}
        found["state"] = waiting if self.answered is None else "closed"
        if self.answered is not None:
            found["answered"] = self.answered
        return {**found, "late": self.late, "differed": self.differed}


def loops(protocol: Protocol, placed: Sequence[Placed], end_s: float) -> list[dict[str, Any]]:
    """Every call that wants an answer, in order, and how it stands at `end_s`."""
    found: list[_Loop] = []
    for spoken in placed:
        line = spoken.line
        if line.call is None or line.repeat or protocol.calls[line.call].readback == "none":
            continue
        if line.role == "call":
            window = protocol.window(line.call)
            found.append(_Loop(line.call, dict(line.slots), spoken.t, spoken.until, window))
            continue
        loop = next(loop for loop in reversed(found) if loop.call == line.call)
        if line.role == "proword":
            loop.asked, loop.answered = spoken.until, None
        elif any(loop.slots.get(name) != value for name, value in line.slots.items()):
            loop.differed = True
        else:
            loop.answered = spoken.t
            loop.late = spoken.t > loop.asked + loop.window_s
    return [loop.told(end_s) for loop in found]


def overdue(protocol: Protocol, placed: Sequence[Placed], end_s: float) -> list[dict[str, Any]]:
    """Every order that nobody reported done within its limit, with the moment `due` passed."""
    found = []
    for at, ordered in enumerate(placed):
        line = ordered.line
        task = protocol.calls[line.call].task if line.call and line.role == "call" else None
        # An order whose dose is not clear is no task before somebody has said which was meant.
        if task is None or line.repeat or line.fault == "unclear-number":
            continue
        due = ordered.until + task.limit_s
        reports = (
            later.t
            for later in placed[at + 1 :]
            if later.line.role == "call"
            and later.line.call in task.done_by
            and all(later.line.slots.get(n, line.slots[n]) == line.slots[n] for n in task.same)
        )
        if next(reports, end_s) > due:
            found.append({"call": line.call, "slots": line.slots, "t": ordered.t, "due": due})
    return found


def doses(placed: Sequence[Placed]) -> list[dict[str, Any]]:
    """Every dose reported given; the amount is that of the drug's last order."""
    orders: dict[Any, dict[str, Any]] = {}
    found = []
    for spoken in placed:
        line = spoken.line
        if line.call == "give-drug" and line.role == "call":
            orders[line.slots["drug"]] = dict(line.slots)
        elif line.call == "drug-given" and line.role == "call":
            found.append({**orders[line.slots["drug"]], "t": spoken.t})
    return found


def timers(placed: Sequence[Placed]) -> list[dict[str, Any]]:
    """Every timer, running from the end of the call that started it."""
    return [
        {"duration_s": spoken.line.slots["duration_s"], "started": spoken.until}
        for spoken in placed
        if spoken.line.call == "start-timer"
        and spoken.line.role == "call"
        and not spoken.line.repeat
    ]


def truth_toml(
    protocol: Protocol, script: Script, placed: Sequence[Placed], duration_s: float
) -> str:
    """The truth file, as TOML 1.0."""
    heads = {
        "title": script.title,
        "invented": True,
        "note": NOTE,
        "protocol": script.protocol,
        "weight_kg": script.weight_kg,
        "duration_s": round(duration_s, 2),
    }
    parts = [_assignments(heads), "[voice]\n" + _assignments(script.voice)]
    parts += ["[[utterance]]\n" + _assignments(_utterance(spoken)) for spoken in placed]
    parts.append(
        "# What the case must come to at the end of the clip.\n[expect]\n"
        + _array("loops", loops(protocol, placed, duration_s))
        + _array("tasks_overdue", overdue(protocol, placed, duration_s))
        + _array("timers", timers(placed))
        + _array("doses", doses(placed))
        + _array("faults", [_fault(spoken) for spoken in placed if spoken.line.fault])
    )
    return "\n".join(parts)


def _utterance(spoken: Placed) -> dict[str, Any]:
    line = spoken.line
    found = {
        "t": spoken.t,
        "until": spoken.until,
        "from": line.sender,
        "to": line.to,
        "words": line.words,
        "role": line.role,
        "call": line.call,
        "slots": line.slots or None,
        "repeat": line.repeat or None,
        "fault": line.fault,
        "cold": line.cold or None,
    }
    return {name: value for name, value in found.items() if value is not None}


def _fault(spoken: Placed) -> dict[str, Any]:
    named = {"call": spoken.line.call} if spoken.line.call else {}
    return {"kind": spoken.line.fault, "t": spoken.t, **named}


def _assignments(table: dict[str, Any]) -> str:
    return "".join(f"{name} = {_value(value)}\n" for name, value in table.items())


def _array(name: str, rows: Iterable[dict[str, Any]]) -> str:
    inside = "".join(f"    {_value(row)},\n" for row in rows)
    return f"{name} = [\n{inside}]\n" if inside else f"{name} = []\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        if not value:
            return "{}"
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, float):
        return str(round(value, 3))
    # What JSON and TOML write alike: strings, whole numbers, true and false.
    return json.dumps(value, ensure_ascii=False)
