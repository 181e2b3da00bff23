"""The briefing: what the team's own sheet says, on one page, before a case."""

from __future__ import annotations

from decimal import Decimal

from grammar.briefing import in_short, plans, sheet_dose
from grammar.protocol import Concentration, Drug, Protocol, SequenceRule, decimal
from grammar.templates import parse_template
from tui.page import CAUTIONS, Page, Table
from tui.wording import call_title, drug, duration, number


def briefing(protocol: Protocol, weight_kg: float | None) -> Page:
    """The page for a patient of this weight in kilograms, or of one not known yet."""
    weight = f"{number(decimal(weight_kg))} kg" if weight_kg else "not entered"
    about = (protocol.protocol.about, f"Weight: {weight}   Protocol: {protocol.protocol.id}")
    sources = _Sources()
    tables = (
        _stations(protocol),
        _plans(protocol),
        _doses(protocol, weight_kg, sources),
        _limits(protocol, sources),
        *_checklists(protocol),
        _phrases(protocol),
        Table("Sources", ("",), tuple((each,) for each in sources.listed()), flowing=True),
    )
    return Page(
        f"Briefing: {protocol.protocol.title}",
        tuple(line for line in about if line),
        tables,
        CAUTIONS,
    )


class _Sources:
    """Numbers for sources, as they come up."""

    def __init__(self) -> None:
        self._found: dict[str, int] = {}

    def number(self, *sources: str) -> str:
        """The numbers of the sources that are named; none for those left empty."""
        return " ".join(
            f"[{self._found.setdefault(source, len(self._found) + 1)}]"
            for source in dict.fromkeys(sources)
            if source
        )

    def listed(self) -> list[str]:
        return [f"[{number}] {source}" for source, number in self._found.items()]


def _stations(protocol: Protocol) -> Table:
    rows = tuple(
        (
            one.title or one.id,
            f"channel {one.channel}" if one.channel else "shared",
            _spoken(one.spoken[0]),
            one.about,
        )
        for one in protocol.station
    )
    return Table("Who listens where", ("station", "channel", "called", "does"), rows)


def _doses(protocol: Protocol, weight_kg: float | None, sources: _Sources) -> Table:
    rows = tuple(_dose(protocol, one, weight_kg, sources) for one in protocol.drug)
    return Table(
        "What the sheet says: doses",
        ("drug", "planned", "dose", "volume", "sheet allows", "again after", "source"),
        rows,
        note="The local sheet, not advice. Rounded to three figures; check every dose against the sheet.",
    )


def _dose(
    protocol: Protocol, sheet: Drug, weight_kg: float | None, sources: _Sources
) -> tuple[str, ...]:
    found = sheet_dose(sheet, weight_kg)
    planned, allowed = sheet.planned, sheet.range
    wanted = "no weight" if planned and planned.per_kg and not weight_kg else ""
    return (
        drug(protocol, sheet.id),
        f"{planned.amount:g} {planned.unit}{'/kg' if planned.per_kg else ''}" if planned else "",
        f"{_figure(found.amount)} {found.unit}" if found.amount is not None else wanted,
        _volume(found.ml, sheet.concentration),
        _span(sheet, found.low, found.high),
        _time(sheet.minimum_interval_s) if sheet.minimum_interval_s else "",
        sources.number(planned.source if planned else "", allowed.source if allowed else ""),
    )


def _span(sheet: Drug, low: Decimal | None, high: Decimal | None) -> str:
    allowed = sheet.range
    if allowed is None:
        return ""
    if low is not None and high is not None:
        each = f" ({allowed.low:g} to {allowed.high:g}/kg)" if allowed.per_kg else ""
        span = _figure(low) if low == high else f"{_figure(low)} to {_figure(high)}"
        return f"{span} {allowed.unit}{each}"
    return f"{allowed.low:g} to {allowed.high:g} {allowed.unit}/kg"


def _volume(ml: Decimal | None, strength: Concentration | None) -> str:
    if ml is None:
        return ""
    at = f" of {strength.amount:g} {strength.unit}/mL" if strength else ""
    return f"{_figure(ml)} mL{at}"


def _figure(value: Decimal) -> str:
    return number(value, 3)


def _plans(protocol: Protocol) -> Table:
    rows = tuple((one.title or one.id, one.about) for one in plans(protocol))
    return Table("Plans", ("", ""), rows, none="the sheet names no plans")


def _limits(protocol: Protocol, sources: _Sources) -> Table:
    own = [call for call in protocol.call if call.window_s and call.readback != "none"]
    rows = [("Any other call" if own else "Any call", _answer(protocol.protocol.window_s), "")]
    rows += [(call.title, _answer(call.window_s), "") for call in own]
    rows += [(rule.title, _rule(rule), sources.number(rule.source)) for rule in protocol.rule]
    return Table("Timers and limits", ("what", "limit", "source"), tuple(rows))


def _answer(seconds: float | None) -> str:
    return f"answer within {_time(seconds)}"


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
            ("item", "say"),
            tuple((item.title or item.id, _spoken(item.spoken[0])) for item in each.items),
        )
        for each in protocol.checklist
    )


def _spoken(phrase: str) -> str:
    return in_short(parse_template(phrase))


def _phrases(protocol: Protocol) -> Table:
    rows = tuple(
        (f"{call_title(protocol, call.id)}: “{in_short(call.nodes[0])}”",) for call in protocol.call
    )
    note = "Say who is meant first (“nurse, …”), repeat what decides; say again, correction, disregard."
    return Table("What can be said, in short", ("",), rows, note=note, flowing=True)
