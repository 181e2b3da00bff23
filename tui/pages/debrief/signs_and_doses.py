"""Vital signs and doses of a case: on one line of time, and as tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from grammar.case.doses import DoseGiven, Task, orders_that_stand
from grammar.protocol.model import decimal
from grammar.reports.dose_totals import DrugTotal, Total, dose_totals
from grammar.reports.measures import HOLDS_S
from tui.pages.debrief.analysed_case import AnalysedCase
from tui.pages.debrief.capping import first_rows
from tui.pages.debrief.charts import vitals_and_doses
from tui.pages.debrief.content import Cell, Grid, Part, plain
from tui.pages.debrief.moments import corrections
from tui.text.doses import DoseWords, against_order, ordered_amount, per_kg_in_words
from tui.text.wording import amount, called_and_read_back, clean, clock, drug, duration, number

HELD = (
    f"Only what was called out is known. A value is taken to hold until the next call, for {HOLDS_S:g} s at"
    " most; after that it is not known"
)


def signs_and_doses(case: AnalysedCase) -> Iterator[Part]:
    """Yield the drawing, the vital signs, the doses and their totals."""
    trends = case.handover.trends
    if trends or case.view.doses:
        yield vitals_and_doses(case.protocol, case.view, trends)
    rows = []
    for sign in case.measures.signs:
        trend = next(one for one in trends if one.id == sign.id)
        low, under = plain(""), case.measures.below.get(sign.id)
        if under is not None:
            words = duration(round(under.seconds)) if under.facts else "never"
            each = under.facts or tuple(one.fact for one in trend.signs)
            known = duration(round(under.known_s))
            low = Cell(f"{words} below {number(under.threshold)}, of {known}", each)
        first, last = trend.signs[0], trend.signs[-1]
        shown = (first, sign.lowest, sign.highest, last)
        rows.append(
            (
                plain(f"{clean(sign.title)}, {clean(sign.unit)}"),
                Cell(str(sign.called), tuple(one.fact for one in trend.signs)),
                *(Cell(f"{one.text} at {clock(one.t)}", (one.fact,)) for one in shown),
                Cell(duration(round(sign.silence_s)), (sign.silent_after.fact,)),
                low,
            )
        )
    yield Grid(
        "Vital signs called out",
        (
            "sign",
            "calls",
            "first",
            "lowest",
            "highest",
            "last",
            "silent",
            "time below",
        ),
        tuple(rows),
        note=f"{HELD}, in the drawing as in the table. A value at the threshold is not below it. Silent:"
        " the longest time from one call to the next, or to the end, when nobody said a value.",
    )
    yield _totals(case)
    yield _doses(case)


def _totals(case: AnalysedCase) -> Grid:
    found = dose_totals(case.protocol, case.view)
    return Grid(
        "Each drug in all",
        ("drug", "reported given", "a kilogram", "ordered and not reported given"),
        tuple(
            (
                plain(drug(case.protocol, one.drug)),
                _added(one.given, one.given_unsaid, "dose"),
                _per_kg(case, one),
                _added(one.not_reported, one.not_reported_unsaid, "order"),
            )
            for one in found
        ),
        note="What was called out, never advice. A dose may have been given and never reported.",
    )


def _per_kg(case: AnalysedCase, one: DrugTotal) -> Cell:
    weight = case.view.weight_kg
    if not weight or len(one.given) != 1 or one.given_unsaid:
        return plain("")
    (total,) = one.given
    return Cell(f"{number(total.amount / decimal(weight), 3)} {clean(total.unit)}/kg", total.facts)


def _added(totals: tuple[Total, ...], unsaid: tuple[int, ...], what: str) -> Cell:
    words = [_one(total, what) for total in totals]
    if unsaid:
        words.append(f"{_times(len(unsaid), what)} of no amount said")
    facts = tuple(fact for total in totals for fact in total.facts) + unsaid
    return Cell(" and ".join(words) or "none", facts)


def _one(total: Total, what: str) -> str:
    return f"{amount(total.amount, total.unit)} in {_times(len(total.facts), what)}"


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _doses(case: AnalysedCase) -> Grid:
    words = DoseWords(case.protocol, case.view)
    shown = first_rows(case.handover.doses)
    ordered = {dose.ordered_fact for dose in shown}
    orders = orders_that_stand(task for task, _ in case.view.tasks if task.fact in ordered)
    put_right = corrections(case.view)
    return Grid(
        "Doses reported given",
        ("at", "drug", "dose", "per kg", "ordered", "against the order", "put right"),
        tuple(
            _dose(case, words, dose, order=orders.get(dose.ordered_fact or 0), put_right=put_right)
            for dose in shown
        ),
        note="What was called out, never advice. Red: another dose was reported than was ordered, or the"
        " order was read back otherwise and nobody put it right.",
        of=len(case.handover.doses),
    )


def _dose(
    case: AnalysedCase,
    words: DoseWords,
    dose: DoseGiven,
    *,
    order: Task | None,
    put_right: Mapping[int, tuple[int, ...]],
) -> tuple[Cell, ...]:
    """Return a row: the dose that was reported, the one that was ordered, how far both lie apart, and how
    the order was put right."""
    apart = "" if order is None else against_order(dose, order)
    wrong = bool(apart) or any(True for _ in words.read_back_otherwise(dose))
    per_kg = per_kg_in_words(dose)
    asked = plain("no order heard")
    if order is not None and order.fact in case.begins:
        what = f"{ordered_amount(order)} at" if ordered_amount(order) else ""
        asked = Cell(f"{what} {clock(case.begins[order.fact])}".strip(), (order.fact,))
    said = put_right.get(order.loop, ()) if order is not None else ()
    return (
        Cell(clock(dose.t), (dose.fact,)),
        plain(drug(case.protocol, dose.drug)),
        Cell(words.of(dose), (dose.fact,), wrong=wrong),
        Cell(per_kg, (dose.fact,) if per_kg else ()),
        asked,
        Cell(apart, (order.fact, dose.fact) if apart and order is not None else (), wrong=wrong),
        Cell(_corrected(case, order, said), said),
    )


def _corrected(case: AnalysedCase, order: Task | None, said: tuple[int, ...]) -> str:
    """Return how an order was put right: what had been read back, and when somebody said otherwise."""
    if order is None:
        return ""
    times = ", ".join(clock(case.begins[fact]) for fact in said if fact in case.begins)
    loop = case.loop_at(order.fact)
    if loop is None or loop.differing is None:
        return f"corrected at {times}" if times else ""
    _, read = called_and_read_back(case.protocol, loop.call, loop.slots, loop.differing)
    return f"read back {read}" + (f", corrected at {times}" if times else ", not corrected")
