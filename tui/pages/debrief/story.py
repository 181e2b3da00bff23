"""The story of a case as a score: a lane for each station, loops drawn from call to answer."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from grammar.case.loops import Loop, LoopState
from grammar.case.view import Utterance, View
from grammar.protocol.model import Protocol
from tui.pages.debrief.capping import STORY_ROWS
from tui.pages.debrief.content import Cell, Figure, plain
from tui.pages.debrief.drawing import drawing, path, rect, rule, text, ticks, to_fact
from tui.pages.debrief.moments import KIND_SIGNS, Kind, Moment
from tui.text.wording import ROLE_WORDS, STATE_WORDS, call_in_words, clean, clock, duration, station

ROW_S = 180.0
"""Seconds in one row of the score."""
LEFT, RIGHT = 124.0, 850.0
LANE = 22.0
TOP = 18.0
SIGN = 11.0
"""The width of a moment's sign."""

LOOP_STYLES: dict[LoopState, str] = {
    "open": "loop",
    "unheard": "loop",
    "unknown": "loop",
    "answered": "loop",
    "closed": "loop closed",
    "differs": "loop differs",
    "unanswered": "loop unanswered",
    "withdrawn": "loop withdrawn",
}


@dataclass(frozen=True, slots=True)
class Said:
    """An utterance in its lane."""

    utterance: Utterance
    lane: str
    """Station id, "" where nobody is known."""


def story(protocol: Protocol, view: View, found: tuple[Moment, ...]) -> tuple[Figure, ...]:
    """Return the whole case, one figure for each row."""
    said = _lanes(view, STORY_ROWS * ROW_S)
    present = {each.lane for each in said.values()}
    lanes = [s.id for s in protocol.station if s.id in present]
    lanes += sorted(present - set(lanes) - {""}) + ([""] if "" in present else [])
    end = max([view.now, *(each.utterance.until for each in said.values())])
    rows = min(max(1, math.ceil(end / ROW_S)), STORY_ROWS)
    length = min(end, ROW_S) if rows == 1 else ROW_S
    until = rows * ROW_S
    loops = [pair for pair in view.loops if pair[0].opened < until]
    early = tuple(moment for moment in found if moment.t < until)
    drawn = [
        _row(
            protocol,
            view,
            said=said,
            lanes=lanes,
            found=early,
            early=loops,
            begin=row * ROW_S,
            length=max(length, 1.0),
        )
        for row in range(rows)
    ]
    legend = _legend(Markup("").join(figure.svg for figure in drawn))
    hours = duration(STORY_ROWS * ROW_S)
    note = f"Only the first {hours} are drawn." if end > STORY_ROWS * ROW_S else ""
    return (replace(legend, note=note), *drawn)


BOXES = (
    ("said call", "call"),
    ("said read-back", "answer"),
    ("said wrong", "wrong read-back"),
    ("said unrecognised", "not in the protocol"),
    ("said proword", "proword"),
    ("said call unsure", "unsure"),
)
LINES = (
    ("loop closed", "closed"),
    ("loop late", "late or never"),
    ("loop differs", "wrong read-back"),
    ("loop", "still waiting"),
    ("loop withdrawn", "withdrawn"),
)


def _legend(drawn: Markup) -> Figure:
    """Return the meaning of each sign that is drawn in the rows, and of no other."""

    def shown(style: str) -> bool:
        return f'class="{style}"' in drawn

    boxes = [each for each in BOXES if shown(each[0])]
    boxes += [] if shown("said call unsure") or " unsure" not in drawn else [BOXES[-1]]
    boxes += [BOXES[1]] if shown("said acknowledgement") and BOXES[1] not in boxes else []
    lines = [each for each in LINES if shown(each[0])]
    lines += [LINES[1]] if " late" in drawn or shown("loop unanswered") else []
    signs = [
        (KIND_SIGNS[kinds[0]], kinds[0], words)
        for kinds, words in _SIGN_WORDS
        if any(shown(f"moment {kind}") for kind in kinds)
    ]

    def parts() -> Iterator[Markup]:
        x = 8.0
        for style, words in boxes:
            yield rect(x, 6, 16, 12, style=style)
            yield text(x + 21, 16, words)
            x += 36 + 6.4 * len(words)
        for style, words in dict.fromkeys(lines):
            yield path(f"M{x:.1f} 12H{x + 26:.1f}", style)
            yield text(x + 31, 16, words)
            x += 46 + 6.4 * len(words)
        x = 8.0
        for sign, style, words in signs:
            yield text(x + 6, 38, sign, style=f"moment {style}", anchor="middle")
            yield text(x + 17, 38, words)
            x += 36 + 6.4 * len(words)

    words = "Signs used in the rows below"
    height = 46 if signs else 26
    return Figure(words, drawing(RIGHT + 24, height, words, parts()), plain(""), wide=True)


_SIGN_WORDS: tuple[tuple[tuple[Kind, ...], str], ...] = (
    (("unanswered", "late"), "answered late or never"),
    (("differs",), "read back with another value"),
    (("another",), "answered by another"),
    (("again",), "said again"),
    (("finding",), "rule or limit broken"),
    (("mark", "note"), "mark or note"),
)


def _lanes(view: View, until: float) -> dict[int, Said]:
    """Who said what before `until`. An answer that nobody signed stands with whom it was for."""
    called = {loop.id: loop for loop, _ in view.loops if loop.opened < until}
    found = {}
    for line in view.log:
        said = line.utterance
        if said is None or said.t >= until:
            continue
        loop = called.get(said.loop) if said.loop is not None else None
        answers = loop is not None and said.role in ("read-back", "acknowledgement")
        lane = said.sender or (loop.to if loop is not None and answers else None) or ""
        found[said.fact] = Said(said, lane)
    return found


def _row(
    protocol: Protocol,
    view: View,
    *,
    said: dict[int, Said],
    lanes: list[str],
    found: tuple[Moment, ...],
    early: Sequence[tuple[Loop, LoopState]],
    begin: float,
    length: float,
) -> Figure:
    """Return the row from `begin` on, `length` seconds long; `early` are the loops that the
    rows may show.
    """
    end = begin + length
    bottom = TOP + LANE * max(len(lanes), 1)
    loops = [pair for pair in early if pair[0].opened < end]
    y_of = {lane: TOP + LANE * index for index, lane in enumerate(lanes)}

    def x(t: float) -> float:
        return LEFT + (RIGHT - LEFT) * (t - begin) / (end - begin)

    def parts() -> Iterator[Markup]:
        for t in ticks(begin, end, 9):
            yield rule(x(t), TOP, x(t), bottom, style="grid")
            yield text(x(t), bottom + 12, clock(t), style="small", anchor="middle")
        for lane, y in y_of.items():
            yield rule(LEFT, y + LANE, RIGHT, y + LANE, style="grid")
            name = station(protocol, lane) if lane else "not named"
            yield text(LEFT - 6, y + LANE * 0.68, name, style="lane", anchor="end")
        if begin < view.now < end:
            yield rule(x(view.now), TOP, x(view.now), bottom, style="end")
        states = {loop.fact: state for loop, state in loops}
        wrong = {x.differing_fact for x, state in loops if state != "withdrawn"}
        for loop, state in loops:
            yield from _loop(loop, state, said=said, y_of=y_of, x=x, begin=begin, end=end)
        for each in said.values():
            one = each.utterance
            if one.until < begin or one.t >= end:
                continue
            style = "said wrong" if one.fact in wrong else f"said {one.role}"
            style += " unsure" if one.unsure else ""
            left, right = max(x(one.t), LEFT), min(x(one.until), RIGHT)
            box = rect(left, y_of[each.lane] + 5, right - left, LANE - 10, style=style)
            yield to_fact(one.fact, _told(protocol, states.get(one.fact), one), [box])
        last = -SIGN
        for moment in found:
            if begin <= moment.t < end and moment.facts:
                # Two at one moment stand beside each other.
                last = max(x(moment.t), last + SIGN)
                style = f"moment {moment.kind}"
                sign = text(last, 13, KIND_SIGNS[moment.kind], style=style, anchor="middle")
                yield to_fact(moment.facts[0], f"{clock(moment.t)} {moment.text}", [sign])

    span = f"{clock(begin)} to {clock(min(end, max(view.now, begin)))}"
    count = sum(begin <= each.utterance.t < end for each in said.values())
    label = f"Timeline {span}"
    return Figure(
        span,
        drawing(RIGHT + 24, bottom + 18, label, parts()),
        Cell(f"{count} utterances from {span}; every one is a line of the log below.", link="log"),
        wide=True,
    )


def _loop(
    loop: Loop,
    state: LoopState,
    *,
    said: dict[int, Said],
    y_of: dict[str, float],
    x: object,
    begin: float,
    end: float,
) -> Iterator[Markup]:
    assert callable(x)
    call = said.get(loop.fact)
    if call is None:
        return
    start, y = loop.ended, y_of[call.lane] + LANE / 2
    answer = said.get(loop.answer_fact) if loop.answer_fact is not None else None
    differing = said.get(loop.differing_fact) if loop.differing_fact is not None else None
    if differing is not None and state != "withdrawn":
        # Red at its moment, also where it was put right later; from there on the call waited again.
        heard = differing.utterance
        if heard.t >= begin and start < end:
            yield _arc(
                x, (start, y), (heard.t, y_of[differing.lane] + LANE / 2), LOOP_STYLES["differs"]
            )
        start, y = heard.until, y_of[differing.lane] + LANE / 2
    until = answer.utterance.t if answer else min(loop.deadline, end)
    if until < begin or start >= end:
        return
    style = LOOP_STYLES[state] + (" late" if loop.late else "")
    x1, x2 = max(x(start), LEFT), min(x(until), RIGHT)
    if answer is None:
        yield path(f"M{x1:.1f} {y:.1f}H{x2:.1f}", style)
        if state in ("unanswered", "differs") and begin <= until <= end:
            yield path(f"M{x2:.1f} {y - 6:.1f}V{y + 6:.1f}", style)
        return
    yield _arc(x, (start, y), (until, y_of[answer.lane] + LANE / 2), style)


def _arc(x: object, one: tuple[float, float], other: tuple[float, float], style: str) -> Markup:
    """Return a line from a moment in a lane to another, each given by its time and its height."""
    assert callable(x)
    x1, x2 = max(x(one[0]), LEFT), min(x(other[0]), RIGHT)
    middle = (x1 + x2) / 2
    return path(
        f"M{x1:.1f} {one[1]:.1f}C{middle:.1f} {one[1]:.1f} {middle:.1f} {other[1]:.1f}"
        f" {x2:.1f} {other[1]:.1f}",
        style,
    )


def _told(protocol: Protocol, stands: LoopState | None, one: Utterance) -> str:
    what = call_in_words(protocol, one.call, one.slots) if one.call else clean(one.text)
    state = f", {STATE_WORDS[stands]}" if stands else ""
    return f"{clock(one.t)} {ROLE_WORDS[one.role].strip()}: {what}{state}"
