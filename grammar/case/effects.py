"""Applies the effects of a new call to the case: timers, tasks, doses, vital signs, checklists,
events.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal

from grammar.case.chunked_sequence import ChunkedSequence
from grammar.case.doses import DoseGiven, Report, Task, in_ml, last_of, outside_range, per_kg
from grammar.case.findings import Finding
from grammar.case.loops import differences
from grammar.case.recorded import RecordedCall
from grammar.case.sequence_rules import Event, names
from grammar.case.state import State
from grammar.case.timers import Timer, complete_oldest, with_one_more
from grammar.case.view import Utterance
from grammar.case.vitals import vital_sign
from grammar.protocol.model import Call, Protocol
from grammar.replacing import quick, replaced

_event, _task, _recorded = quick(Event), quick(Task), quick(RecordedCall)

_NO_EVENT: ChunkedSequence[Event] = ChunkedSequence()


def apply(protocol: Protocol, state: State, said: Utterance) -> State:
    """Return the state after the effects of one call or checklist item."""
    if said.call is None:
        return _tick(state, said)
    call = protocol.calls[said.call]
    state = _happened(protocol, state, said, names(protocol, call.id, said.slots))
    if call.record:
        recorded = _recorded(
            role=call.record,
            call=call.id,
            slots=said.slots,
            t=said.t,
            fact=said.fact,
            sender=said.sender,
        )
        state = replaced(state, records=state.records.plus(recorded))
    if call.vital:
        sign = vital_sign(call.vital, said.slots, said.t, said.fact)
        if sign:
            state = replaced(state, vitals=state.vitals.plus(sign))
    if call.completes:
        state = _completed(state, said, call.completes)
    match call.effect:
        case "start-timer":
            state = _start_timer(state, said)
        case "timer-complete":
            timers, running = complete_oldest(state.timers, state.running, said.t, said.fact)
            state = replaced(state, timers=timers, running=running)
        case "given":
            state = _given(protocol, state, said)
        case "order":
            state = _checked(protocol, state, said.slots.get("drug"), said)
        case "none":
            pass
    state = _report(protocol, state, call, said)
    if call.task:
        loop = said.loop if said.loop is not None else said.fact
        task = _task(
            loop=loop,
            call=call.id,
            slots=said.slots,
            ordered=said.t,
            due=said.until + call.task.limit_s,
            fact=said.fact,
        )
        waiting = (*state.pending.get(call.id, ()), len(state.tasks))
        pending = {**state.pending, call.id: waiting}
        state = replaced(state, tasks=state.tasks.plus(task), pending=pending)
    return state


def _happened(protocol: Protocol, state: State, said: Utterance, events: Iterable[str]) -> State:
    watched = [name for name in events if name in protocol.watched]
    if not watched:
        return state
    found = dict(state.events)
    for name in watched:
        found[name] = found.get(name, _NO_EVENT).plus(_event(said.t, said.fact))
    return replaced(state, events=found)


def _start_timer(state: State, said: Utterance) -> State:
    seconds = said.slots.get("duration_s")
    if not isinstance(seconds, Decimal):
        return state
    by_hand = "entered" in said.flags
    timer = Timer(said.fact, float(seconds), said.until, said.fact, by_hand=by_hand)
    running = with_one_more(state.running, timer.due, len(state.timers))
    return replaced(state, timers=state.timers.plus(timer), running=running)


# ---------------------------------------------------------------------- checklists


def _tick(state: State, said: Utterance) -> State:
    wanted, item = said.slots.get("checklist"), said.slots.get("item")
    checklists = tuple(
        replaced(
            progress,
            answered={**progress.answered, str(item): said.t},
            facts=progress.facts.plus(said.fact),
        )
        if progress.id == wanted
        else progress
        for progress in state.checklists
    )
    return replaced(state, checklists=checklists)


def _completed(state: State, said: Utterance, checklist: str) -> State:
    findings = state.findings
    checklists = []
    for progress in state.checklists:
        if progress.id == checklist:
            if progress.state == "partly-done":
                titles = dict(progress.items)
                left = ", ".join(titles[item] for item in progress.missing)
                text = f"{progress.title} called complete without: {left}"
                facts = (*progress.facts[-1:], said.fact)
                findings = findings.plus(Finding("checklist-partly-done", said.t, facts, text))
            progress = replaced(progress, completed=said.t)  # noqa: PLW2901
        checklists.append(progress)
    return replaced(state, checklists=tuple(checklists), findings=findings)


# ---------------------------------------------------------------------- drugs


def _given(protocol: Protocol, state: State, said: Utterance) -> State:
    drug = said.slots.get("drug")
    places = sorted(
        place
        for call, waiting in state.pending.items()
        if protocol.calls[call].effect == "order"
        for place in waiting
    )
    pending = [state.tasks[place] for place in places]
    if drug is None:
        # "Drugs in": all that were ordered and not reported yet.
        for task in pending:
            one = str(task.slots.get("drug"))
            state = _dose(protocol, state, said, drug=one, task=task)
            events = set(names(protocol, str(said.call), {"drug": one})) - {str(said.call)}
            state = _happened(protocol, state, said, events)
        if not pending:
            text = "drugs reported given, none was ordered"
            found = Finding("dose-without-order", said.t, (said.fact,), text)
            state = replaced(state, findings=state.findings.plus(found))
        return state
    own = _ordered(said, [task for task in pending if task.slots.get("drug") == drug])
    reading = said.meaning.reading
    if own and reading and not reading.unit_said:
        # A report that names no unit means the unit of its order.
        said = replaced(said, slots=reading.slots_after(own.slots))
    return _dose(protocol, state, said, drug=str(drug), task=own)


def _ordered(said: Utterance, pending: list[Task]) -> Task | None:
    """Return the pending order of the amount reported, else the oldest; all of `pending` are of one
    drug."""
    as_said = (task for task in pending if not differences(task.slots, said.slots, ("amount",)))
    return next(as_said, pending[0] if pending else None)


def _dose(
    protocol: Protocol, state: State, said: Utterance, *, drug: str, task: Task | None
) -> State:
    sheet = protocol.drugs[drug]
    amount, unit = said.slots.get("amount"), said.slots.get("unit")
    as_ordered = False
    if not isinstance(amount, Decimal) and task:
        as_ordered = isinstance(task.slots.get("amount"), Decimal)
        amount, unit = task.slots.get("amount"), task.slots.get("unit")
    findings = state.findings
    before = last_of(state.doses, drug)
    if task is None:
        facts = (said.fact,) if before is None else (before.fact, said.fact)
        findings = findings.plus(
            Finding("dose-without-order", said.t, facts, f"{drug} given, nobody ordered it")
        )
    if before and sheet.minimum_interval_s and said.t - before.t < sheet.minimum_interval_s:
        text = (
            f"{drug} again after {said.t - before.t:.0f} s,"
            f" sheet says not within {sheet.minimum_interval_s:.0f} s"
        )
        findings = findings.plus(Finding("dose-too-soon", said.t, (before.fact, said.fact), text))
    known = amount if isinstance(amount, Decimal) else None
    dose = DoseGiven(
        drug=drug,
        amount=known,
        unit=str(unit) if unit else sheet.unit,
        t=said.t,
        fact=said.fact,
        ordered_fact=task.fact if task else None,
        per_kg=per_kg(known, state.weight_kg) if known is not None else None,
        ml=in_ml(sheet, known, str(unit)) if known is not None else None,
        as_ordered=as_ordered,
    )
    state = replaced(state, doses=state.doses.plus(dose), findings=findings)
    return _checked(protocol, state, drug, said) if "amount" in said.slots else state


def _checked(protocol: Protocol, state: State, drug: object, said: Utterance) -> State:
    """Return the state with a finding where the dose said lies outside the sheet's range; the dose
    itself stays."""
    amount, unit = said.slots.get("amount"), said.slots.get("unit")
    if not isinstance(amount, Decimal) or str(drug) not in protocol.drugs:
        return state
    text = outside_range(protocol.drugs[str(drug)], amount, str(unit), state.weight_kg)
    if text is None:
        return state
    found = Finding("dose-outside-sheet", said.t, (said.fact,), text)
    return replaced(state, findings=state.findings.plus(found))


def _report(protocol: Protocol, state: State, call: Call, said: Utterance) -> State:
    """Return the state with the tasks done that this call reports."""
    if call.id not in protocol.reporting:
        return state
    tasks, pending, carried = state.tasks, dict(state.pending), []
    carried_out = {dose.ordered_fact for dose in _given_by(state, said.fact)}
    for order, places in state.pending.items():
        asked = protocol.calls[order].task
        if asked is None or call.id not in asked.done_by:
            continue
        left = []
        for place in places:
            task = tasks[place]
            done = _same(asked.same, task, said)
            if call.effect == "given" and protocol.calls[order].effect == "order":
                # A dose carries out the one order that it was given on.
                done = done and task.fact in carried_out
            if done:
                tasks = tasks.put(place, replaced(task, done=said.t, done_fact=said.fact))
                carried.append(task.fact)
            else:
                left.append(place)
        pending[order] = tuple(left)
    if not carried:
        return state
    reports = state.reports.plus(Report(said.fact, tuple(carried)))
    return replaced(state, tasks=tasks, pending=pending, reports=reports)


def _given_by(state: State, fact: int) -> Iterator[DoseGiven]:
    """Yield the doses that a call has just reported given: the last ones."""
    for dose in reversed(state.doses):
        if dose.fact != fact:
            return
        yield dose


def _same(names: tuple[str, ...], task: Task, said: Utterance) -> bool:
    both = (name for name in names if name in said.slots and name in task.slots)
    return all(said.slots[name] == task.slots[name] for name in both)
