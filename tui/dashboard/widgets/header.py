"""The lines at the top and the bottom: time, input, recording; the caution and the keys."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from rich.cells import cell_len
from textual.content import Content
from textual.widgets import Static

from grammar.case.view import View
from grammar.protocol.model import decimal
from listener.team.card_in_case import CardProgress
from tui.dashboard.status import Replaying, Status
from tui.text.wording import (
    CAUTION,
    CAUTION_IN_SHORT,
    DRILL_WORDS,
    clean,
    clock,
    heard,
    level,
    number,
)

LOW = 30
"""Rows below which the caution is told in short."""
CUT = 12
"""Characters of a word too long for its place that still say something."""
WARNING_ROWS = 2
"""Rows of a low terminal that warnings may take which have no room beside how the case stands; a taller
one has twice as many."""
TURN_S = 4
"""Seconds for which each of several warnings stands there in its turn."""


class Header(Static):
    """Two lines: time, clock, recording and input; then the case and how it stands. Warnings that have no
    room beside it stand whole in rows of their own."""

    def show(self, view: View, status: Status, wall: datetime, odd_weight: str = "") -> None:
        """Draw the header for this moment; `wall` is the local time, `odd_weight` a clause on a weight that
        may be a slip: it stands there as long as the weight does.
        """
        width = max(self.app.size.width - 2, 20)  # its own is not known at first
        stopped = (f"LISTENING STOPPED: {status.failure}",) if status.failure is not None else ()
        odd = (odd_weight,) if odd_weight else ()
        warnings = [f" !! {clean(each)} " for each in (*stopped, *together(status.troubles), *odd)]
        stands = _stands(view, status, width)
        line = Content.assemble(*(_warning(each) for each in warnings), stands)
        lines = [_first(view, status, wall, width), line]
        if warnings and line.cell_length > width:
            most = WARNING_ROWS if self.app.size.height < LOW else 2 * WARNING_ROWS
            lines = [lines[0], stands, *warning_rows(warnings, width, most, wall.second // TURN_S)]
        lines[1] = _joined(lines[1], (clean(status.title), clean(status.source)), "$quiet", width)
        if self.styles.height is None or self.styles.height.cells != len(lines):
            self.styles.height = len(lines)
        content = Content("\n").join([each.truncate(width, ellipsis=True) for each in lines])
        if content != self.content:
            self.update(content, layout=False)


def _stands(view: View, status: Status, width: int) -> Content:
    """Return how the case stands: whether it is heard, whether it is a drill, and the weight by which doses
    are judged. How often each call is heard, and what is missing, give way to them."""
    kind = f"{DRILL_WORDS[view.drill]}  " if view.drill is not None else ""
    weight = f"{number(decimal(view.weight_kg))} kg" if view.weight_kg else "weight not entered"
    if status.failure is not None:
        how = ("■ not listening", "bold $urgent")
    elif status.replay:
        how = ("REPLAY, nothing is changed", "bold $heading")
    elif status.ended:
        when = f" at {clock(view.ended)}" if view.ended is not None else ""
        how = (f"■ ENDED{when} (q quits)", "bold $urgent")
    else:
        how = ("▶ listening", "bold $good") if status.unheard_s is None else _the_rest(status)
    ears = f", {clean(status.ears)}" if status.ears and not status.ended else ""
    kept = ((f"  {kind}", "bold $heading"), (weight, "$quiet"))
    missing = (f"  ! {status.missing}" if status.missing else "", "bold $urgent")
    whole = Content.assemble(how, (ears, "$ink"), *kept, missing)
    if whole.cell_length <= width:
        return whole
    first = Content.assemble(how, *kept)
    rest, room = Content.assemble(missing, (ears, "$ink")), width - first.cell_length
    return Content.assemble(first, rest.truncate(room, ellipsis=True)) if room >= CUT else first


def _warning(text: str) -> Content:
    return Content.styled(text, "bold $on-urgent on $urgent")


def warning_rows(warnings: Sequence[str], width: int, most: int, turn: int) -> list[Content]:
    """Return warnings whole in `most` rows of `width` cells at most, side by side where they fit. Where
    they do not, one after the other has them, each with its number; `turn` counts them on."""
    rows: list[Content] = []
    for each in warnings:
        if rows and rows[-1].cell_length + cell_len(each) <= width:
            rows[-1] = Content.assemble(rows[-1], _warning(each))
        else:
            rows += _warning(each).wrap(width)
    if len(rows) <= most:
        return rows
    at = turn % len(warnings)
    count = f" {at + 1}/{len(warnings)}" if len(warnings) > 1 else ""
    rows = _warning(f"{count}{warnings[at]}").wrap(width)[:most]
    return rows + [Content("")] * (most - len(rows))


def together(troubles: Sequence[str]) -> list[str]:
    """Troubles of one cause in one sentence, so that it is named once: "1 waits: full", "2 lost: full"
    become "1 waits, 2 lost: full"."""
    causes: dict[str, list[str]] = {}
    for trouble in troubles:
        what, named, cause = trouble.partition(": ")
        causes.setdefault(cause if named else trouble, []).append(what if named else "")
    return [
        f"{', '.join(whats)}: {cause}" if any(whats) else cause for cause, whats in causes.items()
    ]


def _first(view: View, status: Status, wall: datetime, width: int) -> Content:
    """Time, recording and level always; the time of day where there is room."""
    kept = _recording(status, view.recording, begun=bool(view.log))
    shown = _replaying(status.replay) if status.replay else kept
    first = Content.assemble((clock(view.now), "bold $ink"), (" elapsed  ", "$quiet"), shown)
    # In a replay nothing is listened to: the level is that of the sound played, where there is any.
    whose = "  sound " if status.replay else "  microphone "
    heard = ((whose, "$quiet"), (level(status.level_dbfs), "$ink")) if status.hears else ()
    last = Content.assemble(*heard)
    room = width - last.cell_length
    between = (f"{wall:%H:%M:%S}",)
    return Content.assemble(_joined(first, between, "$ink", room), last)


def _joined(first: Content, others: Iterable[str], style: str, width: int) -> Content:
    """Return the first part, and of the others as many as fit whole; the last of them may be cut."""
    line = first
    for other in others:
        room = width - line.cell_length - 2
        if room < min(len(other), CUT):
            break
        line = Content.assemble(
            line, "  ", Content.styled(other, style).truncate(room, ellipsis=True)
        )
    return line


def _recording(status: Status, on: bool, *, begun: bool) -> tuple[str, str]:
    kept = status.recording
    if kept and (status.ended or status.failure is not None):
        return "■ recording is over", "bold $ink"
    if kept and status.unheard_s is not None:
        return "■ sound is over", "bold $ink"
    if status.unrecorded:
        return "!! SOUND NOT RECORDED", "bold $on-urgent on $urgent"
    if kept and not begun:
        return "○ recording begins", "bold $ink"
    if kept and not on:
        return "‖ RECORDING PAUSED", "bold $on-urgent on $urgent"
    if kept:
        return "● RECORDING ON", "bold $on-urgent on $good"
    return "○ recording off", "bold $ink"


def _the_rest(status: Status) -> tuple[str, str]:
    """Return that no more sound comes, and how much of it is still to be heard: the case's clock stands."""
    return f"■ SOUND IS OVER, {status.unheard_s:.0f} s still to be heard", "bold $urgent"


def _replaying(replay: Replaying) -> tuple[str, str]:
    how = "▶ playing" if replay.playing else "‖ paused"
    return f"{how} {replay.speed:g}×, {clean(replay.sound)}", "bold $good"


class Bottom(Static):
    """The caution, always on screen, and the keys. No row ends between a key and its word."""

    @property
    def _room(self) -> tuple[int, bool]:
        return max(self.app.size.width - 2, 20), self.app.size.height < LOW

    def fits(self, keys: Sequence[tuple[str, str]]) -> bool:
        """Return whether the keys leave a low terminal its rows: a third one would cost the log a line."""
        width, low = self._room
        return not low or len(in_rows(keys, width)) <= 2

    def show(self, keys: Sequence[tuple[str, str]]) -> None:
        """Show the caution and these (key, what it does) pairs, on as many rows as they need."""
        width, low = self._room
        caution = CAUTION_IN_SHORT if low and len(CAUTION) > width else CAUTION
        first = Content.styled(caution, "$quiet")
        self.update(Content("\n").join([first.truncate(width), *in_rows(keys, width)]))


def in_rows(keys: Sequence[tuple[str, str]], width: int) -> list[Content]:
    """Return the keys in rows of `width` cells, each key beside its word."""
    rows: list[list[Content]] = [[]]
    taken = 0
    for key, what in keys:
        entry = Content.assemble((key, "bold $heading"), (f" {what}", "$quiet"))
        if rows[-1] and taken + 1 + entry.cell_length > width:
            rows.append([])
            taken = 0
        taken += entry.cell_length + (1 if rows[-1] else 0)
        rows[-1].append(entry)
    return [Content(" ").join(row) for row in rows if row]


NOTICE_ROWS = 2
"""Rows that a notice may take: one that is cut would lose its end, which says what to do."""


class Partial(Static):
    """The words heard so far of the utterance being spoken."""

    def show(self, status: Status, notice: str = "") -> None:
        """Show the partial words, the end of them where they are long; or a notice instead, which takes a
        second row where it needs one."""
        words = heard(status.partial).strip()
        width = max(self.size.width, 20)
        room = width - 10
        words = words if len(words) <= room else f"…{words[-room + 1 :]}"
        content = Content("")
        if words:
            content = Content.assemble(
                ("hearing ", "bold $heading"), (words, "italic $ink"), (" …", "$ink")
            )
        rows = [content]
        if status.card:
            rows = list(_card(status.card))
        if notice:
            rows[-1:] = notice_rows(clean(notice), width)
        if self.styles.height is None or self.styles.height.cells != len(rows):
            self.styles.height = len(rows)
        content = Content("\n").join([row.truncate(width, ellipsis=True) for row in rows])
        if content != self.content:
            self.update(content, layout=False)


def notice_rows(notice: str, width: int) -> list[Content]:
    """Return a notice in its rows. One that is too long for them loses words of what was done, and not
    what takes it back."""
    rows = Content.styled(f"» {notice}", "bold $ink").wrap(width)
    room = width * NOTICE_ROWS
    while len(rows) > NOTICE_ROWS and room > width:
        # A row ends at a word, and so may hold less than its cells.
        room -= 4
        rows = Content.styled(_cut(f"» {notice}", room), "bold $ink").wrap(width)
    return rows[:NOTICE_ROWS]


def _cut(notice: str, width: int) -> str:
    """Return a notice of at most `width` cells: what takes it back, in brackets at its end, stays."""
    told, mark, back = notice.rpartition("   (")
    if cell_len(notice) <= width:
        return notice
    if not mark:
        return f"{notice[: width - 1]}…"
    room = width - cell_len(mark + back) - 1
    while told and cell_len(told) > room:
        told = told[:-1]
    return f"{told}…{mark}{back}"


def _card(card: CardProgress) -> tuple[Content, Content]:
    """Return the two rows of a card that is read while the case goes on: the sentence that is asked for,
    and the outcome of the one before."""
    asked = Content.assemble(
        (f"CARD {card.number}/{card.of} {clean(card.title)}, say: ", "bold $heading"),
        (clean(card.phrase), "bold $ink"),
    )
    return asked, Content.styled(f"  {clean(card.news)}", "$ink")
