"""The headless contract: an utterance, and a case, as JSON-ready values."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from grammar.case.loops import Loop
from grammar.case.view import Utterance, View
from grammar.language.meaning import Slots
from grammar.language.numbers.units import plain


def slots_json(slots: Slots) -> dict[str, Any]:
    """Return the slots with plain numbers, whole ones as integers."""
    return {
        name: plain(value) if isinstance(value, Decimal) else value for name, value in slots.items()
    }


def utterance_json(said: Utterance) -> dict[str, Any]:
    """Return one line for one utterance. Times in seconds from the start of the audio."""
    return {
        "kind": "utterance",
        "seq": said.fact,
        "t": round(said.t, 2),
        "until": round(said.until, 2),
        "channel": said.channel,
        "text": said.text,
        "role": said.role,
        "call": said.call,
        "slots": slots_json(said.slots),
        "to": said.to,
        "from": said.sender,
        "speaker": {
            "told": said.speaker.told,
            "perhaps": said.speaker.perhaps,
            "confidence": round(said.speaker.confidence, 3),
            "reasons": list(said.speaker.reasons),
        },
        "loop": said.loop,
        "confidence": round(said.confidence, 3),
        "unsure": said.unsure,
        "ear": said.ear,
        "flags": list(said.flags),
    }


def summary_json(view: View) -> dict[str, Any]:
    """Return the last line: everything derived at the view's moment."""
    return {
        "kind": "summary",
        "until": round(view.now, 2),
        "loops": [_loop(loop, state) for loop, state in view.loops],
        "timers": [
            {
                "duration_s": plain(Decimal(str(timer.duration_s))),
                "started": round(timer.started, 2),
                "state": state,
            }
            for timer, state in view.timers
        ],
        "doses": [
            {
                "drug": dose.drug,
                "amount": None if dose.amount is None else plain(dose.amount),
                "unit": dose.unit,
                "t": round(dose.t, 2),
                "per_kg": None if dose.per_kg is None else round(float(dose.per_kg), 3),
                "mL": None if dose.ml is None else round(float(dose.ml), 3),
                "as_ordered": dose.as_ordered,
            }
            for dose in view.doses
        ],
        "tasks": [
            {
                "loop": task.loop,
                "call": task.call,
                "slots": slots_json(task.slots),
                "ordered": round(task.ordered, 2),
                "due": round(task.due, 2),
                "done": None if task.done is None else round(task.done, 2),
                "state": state,
            }
            for task, state in view.tasks
        ],
        "vitals": [
            {
                "id": sign.id,
                "value": plain(sign.values[0]) if len(sign.values) == 1 else sign.text,
                "unit": sign.unit,
                "t": round(sign.t, 2),
            }
            for sign in view.vitals
        ],
        "checklists": [
            {
                "id": progress.id,
                "state": progress.state,
                "answered": list(progress.answered),
                "missing": list(progress.missing),
                "called_complete": progress.completed,
            }
            for progress in view.checklists
        ],
        "findings": [
            {
                "rule": found.rule,
                "t": round(found.t, 2),
                "facts": list(found.facts),
                "text": found.text,
            }
            for found in view.findings
        ],
    }


def _loop(loop: Loop, state: str) -> Mapping[str, Any]:
    return {
        "id": loop.id,
        "call": loop.call,
        "slots": slots_json(loop.slots),
        "to": loop.to,
        "from": loop.sender,
        "opened": round(loop.opened, 2),
        "state": state,
        "answered": None if loop.answered is None else round(loop.answered, 2),
        "late": loop.late,
        "unsure": loop.unsure,
        "repeats": loop.repeats,
        "flags": list(loop.flags),
        "differing": None if loop.differing is None else slots_json(loop.differing),
    }
