"""The briefing: what the team's own sheet says, on one page, before a case."""

from __future__ import annotations

from decimal import Decimal

from grammar.protocol.model import Concentration, Drug, Protocol, SequenceRule, decimal
from grammar.protocol.tables import Planned
from grammar.protocol.templates import parse_template
from grammar.reports.briefing import SheetDose, in_short, plans, sheet_dose
from tui.pages.page import CAUTIONS, NO_BREAK, Page, Table
from tui.text.wording import call_title, drug, duration, number


def briefing(protocol: Protocol, weight_kg: float | None) -> Page:
    """Return the page for a patient of this weight in kilograms, or of one whose weight is
    not known yet.
    """
    sources = _Sources()
    tables = (
        _doses(protocol, weight_kg, sources),
        _stations(protocol),
        _plans(protocol),
        _limits(protocol, sources),
        *_checklists(protocol),
        _phrases(protocol),
        Table("Sources", ("",), tuple((each,) for each in sources.listed()), flowing=True),
    )
    return Page(
        f"Briefing: {protocol.protocol.title}",
        tuple(line for line in (protocol.protocol.about,) if line),
        tables,
        CAUTIONS,
        dense=True,
    )


class _Sources:
    """Numbers for sources, as they come up."""

    def __init__(self) -> None:
        self._found: dict[str, int] = {}

    def number(self, *sources: str) -> str:
        """Return the numbers of the sources that are named; none for those left empty."""
        return " ".join(
            f"[{self._found.setdefault(source, len(self._found) + 1)}]"
            for source in dict.fromkeys(sources)
            if source
        )

    def listed(self) -> list[str]:
        return [f"[{number}] {source}" for source, number in self._found.items()]


def _stations(protocol: Protocol) -> Table:
    """Return the table of stations; values that are the same for all stand once, under it."""
    stations, notes = protocol.station, []
    columns = {"station": [one.title or one.id for one in stations]}
    called = [_spoken(one.spoken[0]) for one in stations]
    if called == [title.lower() for title in columns["station"]]:
        notes.append("called by name")
    else:
        columns["called"] = called
    if any(one.channel for one in stations):
        columns["channel"] = [
            f"channel {one.channel}" if one.channel else "shared" for one in stations
        ]
    else:
        notes.append("one shared channel")
    columns["does"] = [one.about for one in stations]
    rows = tuple(zip(*columns.values(), strict=True))
    # A name and what it does need no head; more columns do.
    head = tuple(columns) if len(columns) > 2 else ("", "")
    return Table("Who listens where", head, rows, note="; ".join(notes))


def _doses(protocol: Protocol, weight_kg: float | None, sources: _Sources) -> Table:
    rows = [_dose(protocol, one, weight_kg) for one in protocol.drug]
    used = [frozenset(_sources(one)) for one in protocol.drug if _sources(one)]
    # What every dose goes back to stands once, under the table.
    common = frozenset.intersection(*used) if used else frozenset()
    note = "the local sheet, not advice. Rounded to three figures; check every dose against it."
    note = f"All from {sources.number(*sorted(common))}, {note}" if common else f"From {note}"
    rows = [
        (*row, sources.number(*(each for each in _sources(one) if each not in common)))
        for row, one in zip(rows, protocol.drug, strict=True)
    ]
    weight = f"for {number(decimal(weight_kg))} kg" if weight_kg else "weight not entered"
    return Table(
        f"What the sheet says: doses, {weight}",
        ("drug", "planned", "volume", "sheet allows", "from"),
        tuple(rows),
        note=note,
        wide=True,
    )


def _sources(sheet: Drug) -> tuple[str, ...]:
    return tuple(each.source for each in (sheet.planned, sheet.range) if each and each.source)


def _dose(protocol: Protocol, sheet: Drug, weight_kg: float | None) -> tuple[str, ...]:
    found = sheet_dose(sheet, weight_kg)
    return (
        drug(protocol, sheet.id),
        _planned(sheet.planned, found),
        _volume(found.ml, sheet.concentration),
        _span(sheet, found.low, found.high),
    )


def _planned(planned: Planned | None, found: SheetDose) -> str:
    """Return the dose with, in brackets, what each kilogram gets; or the latter alone without a weight."""
    if planned is None:
        return ""
    if found.amount is None:
        return _whole(f"{planned.amount:g} {planned.unit}/kg")
    each = f" ({planned.amount:g}/kg)" if planned.per_kg else ""
    return _whole(f"{_figure(found.amount)} {found.unit}") + each


def _span(sheet: Drug, low: Decimal | None, high: Decimal | None) -> str:
    allowed = sheet.range
    if allowed is None:
        return ""
    per_kg = f"{allowed.low:g} to {allowed.high:g}"
    if low is None or high is None:
        return _whole(f"{per_kg} {allowed.unit}/kg")
    span = _figure(low) if low == high else f"{_figure(low)} to {_figure(high)}"
    each = f" {_whole(f'({per_kg}/kg)')}" if allowed.per_kg else ""
    return _whole(f"{span} {allowed.unit}") + each


def _volume(ml: Decimal | None, strength: Concentration | None) -> str:
    if ml is None:
        return ""
    at = f" of {_whole(f'{strength.amount:g} {strength.unit}/mL')}" if strength else ""
    return _whole(f"{_figure(ml)} mL") + at


def _whole(figure: str) -> str:
    """Return a figure with its unit, or a name, which no line end may part."""
    return figure.replace(" ", NO_BREAK)


def _figure(value: Decimal) -> str:
    return number(value, 3)


def _plans(protocol: Protocol) -> Table:
    rows = tuple((_whole(one.title or one.id), one.about) for one in plans(protocol))
    return Table("Plans", ("", ""), rows, none="the sheet names no plans")


def _limits(protocol: Protocol, sources: _Sources) -> Table:
    own: dict[float, list[str]] = {}
    for call in protocol.call:
        if call.window_s and call.readback != "none":
            own.setdefault(call.window_s, []).append(call.title)
    rows = [("Any other call" if own else "Any call", _answer(protocol.protocol.window_s))]
    rows += [(", ".join(titles), _answer(window)) for window, titles in own.items()]
    again: dict[float, list[str]] = {}
    for one in protocol.drug:
        if one.minimum_interval_s:
            again.setdefault(one.minimum_interval_s, []).append(drug(protocol, one.id))
    rows += [(", ".join(drugs), f"again after {_time(s)}") for s, drugs in again.items()]
    rows += [(each.title, f"{_rule(each)} {sources.number(each.source)}") for each in protocol.rule]
    return Table("Timers and limits", ("", ""), tuple(rows))


def _answer(seconds: float | None) -> str:
    return f"answered in {_time(seconds)}"


def _rule(rule: SequenceRule) -> str:
    match rule.kind:
        case "at-least":
            return f"at least {_time(rule.seconds)}"
        case "at-most":
            return f"within {_time(rule.seconds)}"
        case "after-count":
            return f"within {_time(rule.seconds)} after {rule.count}"
        case "before":
            return "in this order"


def _time(seconds: float | None) -> str:
    return duration(seconds or 0)


def _checklists(protocol: Protocol) -> tuple[Table, ...]:
    return tuple(
        Table(
            f"Checklist: {each.title}",
            ("", ""),
            tuple((item.title or item.id, f"“{_spoken(item.spoken[0])}”") for item in each.items),
        )
        for each in protocol.checklist
    )


def _spoken(phrase: str) -> str:
    return in_short(parse_template(phrase))


def _phrases(protocol: Protocol) -> Table:
    rows = tuple(
        (_phrase(call_title(protocol, call.id), in_short(call.nodes[0])),) for call in protocol.call
    )
    note = "Say who is meant first (“nurse, …”), repeat what decides; say again, correction, disregard."
    title = f"What can be said by {protocol.protocol.id}, in short"
    return Table(title, ("",), rows, note=note, flowing=True)


def _phrase(title: str, phrase: str) -> str:
    """Return title and phrase; the phrase alone where it begins with the title."""
    if phrase.startswith(title.lower()):
        return f"“{title}{phrase[len(title) :]}”"
    return f"{title}: “{phrase}”"
