"""The record of a case: attempts on the airway and what was placed, plans, milestones.

Which call means what is the protocol's choice (`record` of each call, `lowest` of a vital sign), so
that nothing here knows any one protocol.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from grammar.case.recorded import RecordedCall
from grammar.case.view import View
from grammar.case.vitals import VitalSign
from grammar.protocol.model import Protocol

Outcome = Literal["going on", "placed", "abandoned", "not said"]


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt on the airway."""

    number: int
    began: float | None
    """None where nobody called its beginning."""
    ended: float | None = None
    """None while it goes on."""
    outcome: Outcome = "going on"
    """`not said` where the next attempt began before anybody said how this one ended."""
    placed: RecordedCall | None = None
    device: RecordedCall | None = None
    view: RecordedCall | None = None
    confirmed: RecordedCall | None = None
    """Capnography, first confirmed."""
    refuted: RecordedCall | None = None
    """The latest call that capnography shows nothing."""
    lowest: tuple[VitalSign, ...] = ()
    """The lowest value called while it lasted, of each vital sign whose lowest counts."""
    facts: tuple[int, ...] = ()

    @property
    def length_s(self) -> float | None:
        """Return its length in seconds from its beginning to its end; None unless both were called."""
        return None if self.began is None or self.ended is None else self.ended - self.began


@dataclass(frozen=True, slots=True)
class Record:
    """The record of one case. Each value is the latest that was called."""

    attempts: tuple[Attempt, ...] = ()
    size: RecordedCall | None = None
    depth: RecordedCall | None = None
    confirmed: RecordedCall | None = None
    """The latest call that capnography confirms."""
    lowest: tuple[VitalSign, ...] = ()
    """The lowest of the whole case, of each vital sign whose lowest counts."""
    plans: tuple[RecordedCall, ...] = ()
    events: tuple[RecordedCall, ...] = ()

    @property
    def device(self) -> RecordedCall | None:
        """The device that the last attempt used; None where nobody said it."""
        return self.attempts[-1].device if self.attempts else None

    @property
    def view(self) -> RecordedCall | None:
        """The latest view that was called."""
        return next((one.view for one in reversed(self.attempts) if one.view), None)


def record_of(protocol: Protocol, view: View) -> Record:
    """Return the record of the case at the view's moment."""
    calls = sorted(view.records, key=lambda call: (call.t, call.fact))
    counted = [call for call in protocol.call if call.vital and call.vital.lowest]
    ids = dict.fromkeys(call.vital.id for call in counted if call.vital)
    signs = sorted((sign for sign in view.vitals if sign.id in ids), key=lambda sign: sign.t)
    last = {call.role: call for call in calls}
    attempts = (
        replace(each, lowest=_lowest(ids, _during(signs, each, view.now)))
        for each in _attempts(calls)
    )
    return Record(
        attempts=tuple(attempts),
        size=last.get("size"),
        depth=last.get("depth"),
        confirmed=last.get("confirmed"),
        lowest=_lowest(ids, signs),
        plans=tuple(call for call in calls if call.role == "plan"),
        events=tuple(call for call in calls if call.role == "event"),
    )


def _attempts(calls: Iterable[RecordedCall]) -> list[Attempt]:
    made: list[Attempt] = []
    ahead: RecordedCall | None = None
    """A device named before the attempt that uses it."""
    for call in calls:
        now = made[-1] if made else None
        if now is not None and now.outcome != "going on" and call.role != "view":
            # Over: only what may still be learnt about it belongs to it.
            over = _after(now, call)
            if over is not None:
                made[-1] = _with(over, call)
                continue
            now = None
        match call.role:
            case "attempt":
                if now is not None:
                    made[-1] = replace(now, outcome="not said", ended=call.t)
                made.append(_begun(made, call, ahead, began=call.t))
                ahead = None
            case "placed" | "abandoned":
                if now is None:
                    made.append(now := _begun(made, call, ahead, began=None))
                    ahead = None
                placed = call if call.role == "placed" else None
                now = replace(now, outcome=call.role, placed=placed, ended=call.t)
                made[-1] = _with(now, call)
            case "device" if now is not None:
                made[-1] = _with(replace(now, device=call), call)
            case "device":
                ahead = call
            case "view" if now is not None:
                made[-1] = _with(replace(now, view=call), call)
            case _:
                pass
    return made


def _begun(
    made: list[Attempt], call: RecordedCall, device: RecordedCall | None, began: float | None
) -> Attempt:
    facts = (call.fact,) if device is None else (device.fact, call.fact)
    return Attempt(len(made) + 1, began, device=device, facts=facts)


def _after(over: Attempt, call: RecordedCall) -> Attempt | None:
    """Return the attempt with what a call says once it has ended; None where the call is not about
    it."""
    if over.outcome != "placed":
        return over if call.role == "abandoned" else None  # given up, and said again
    match call.role:
        case "confirmed":
            return over if over.confirmed else replace(over, confirmed=call)
        case "refuted":
            return replace(over, refuted=call)
        case "placed" if over.placed and over.placed.call == call.call:
            return over  # said again
        case "abandoned":
            # In, but taken out again.
            return replace(over, outcome="abandoned", ended=call.t)
        case _:
            return None


def _with(attempt: Attempt, call: RecordedCall) -> Attempt:
    return replace(attempt, facts=tuple(dict.fromkeys((*attempt.facts, call.fact))))


def _during(signs: Sequence[VitalSign], attempt: Attempt, now: float) -> Sequence[VitalSign]:
    if attempt.began is None:
        return []
    end = now if attempt.ended is None else attempt.ended
    first = bisect_left(signs, attempt.began, key=lambda sign: sign.t)
    return signs[first : bisect_right(signs, end, key=lambda sign: sign.t)]


def _lowest(ids: Iterable[str], signs: Iterable[VitalSign]) -> tuple[VitalSign, ...]:
    found = (
        min((sign for sign in signs if sign.id == wanted), key=_value, default=None)
        for wanted in ids
    )
    return tuple(sign for sign in found if sign is not None)


def _value(sign: VitalSign) -> tuple[object, float]:
    """Return the first value (the systolic of a pressure); of equals the earliest."""
    return sign.values[0], sign.t
