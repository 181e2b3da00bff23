"""Vital signs and doses of a case: on one line of time, and as tables."""

from __future__ import annotations

from collections.abc import Iterator

from grammar.protocol.model import decimal
from grammar.reports.dose_totals import DrugTotal, Total, dose_totals
from tui.pages.debrief.charts import vitals_and_doses
from tui.pages.debrief.content import Cell, Grid, Part, plain
from tui.pages.debrief.gone_through import GoneThrough
from tui.text.doses import DoseWords
from tui.text.wording import amount, clean, clock, drug, duration, number

HELD = "Only what was called out is known; between calls the last value is taken to hold"


def signs_and_doses(case: GoneThrough) -> Iterator[Part]:
    """The drawing, the vital signs, the doses and their totals."""
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
        f"{HELD}, in the drawing as in the table. A value at the threshold is not below it. Silent:"
        " the longest time from one call to the next, or to the end, when nobody said a value.",
    )
    yield _totals(case)
    yield _doses(case)


def _totals(case: GoneThrough) -> Grid:
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
        "What was called out, never advice. A dose may have been given and never reported.",
    )


def _per_kg(case: GoneThrough, one: DrugTotal) -> Cell:
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


def _doses(case: GoneThrough) -> Grid:
    words = DoseWords(case.protocol, case.view)
    return Grid(
        "Doses reported given",
        ("at", "drug", "dose", "per kg", "ordered"),
        tuple(
            (
                Cell(clock(dose.t), (dose.fact,)),
                plain(drug(case.protocol, dose.drug)),
                Cell(words.of(dose), (dose.fact,)),
                Cell(
                    f"{number(dose.per_kg, 3)} {dose.unit}/kg" if dose.per_kg is not None else "",
                    (dose.fact,) if dose.per_kg is not None else (),
                ),
                Cell(clock(case.begins[dose.ordered_fact]), (dose.ordered_fact,))
                if dose.ordered_fact is not None and dose.ordered_fact in case.begins
                else plain("no order heard"),
            )
            for dose in case.handover.doses
        ),
        "What was called out, never advice.",
    )
