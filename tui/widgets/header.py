"""The lines at the top and the bottom: time, engine, input, recording; the caution and the keys."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from textual.content import Content
from textual.widgets import Static

from grammar.protocol import decimal
from grammar.view import View
from tui.status import Replaying, Status
from tui.wording import CAUTION, clean, clock, level, number

NO_BREAK = "\N{NO-BREAK SPACE}"


class Header(Static):
    """Two lines: time, clock, recording, engine and input; then the case and how it stands."""

    def show(self, view: View, status: Status, wall: datetime) -> None:
        """Draws the header for this moment; `wall` is the local time."""
        content = Content("\n").join([self._first(view, status, wall), self._second(view, status)])
        if content != self.content:
            self.update(content, layout=False)

    def _first(self, view: View, status: Status, wall: datetime) -> Content:
        return Content.assemble(
            (clock(view.now), "bold $ink"),
            (f" elapsed  {wall:%H:%M:%S}  ", "$quiet"),
            _replaying(status.replay)
            if status.replay
            else _recording(status.recording, view.recording),
            ("  ", ""),
            (clean(status.engine), "$ink"),
            ("  in ", "$quiet"),
            (level(status.level_dbfs), "$ink"),
        )

    def _second(self, view: View, status: Status) -> Content:
        if status.failure is not None:
            return Content.styled(
                f"!! LISTENING STOPPED: {clean(status.failure)}", "bold $on-urgent on $urgent"
            )
        weight = f"{number(decimal(view.weight_kg))} kg" if view.weight_kg else "weight not entered"
        if status.replay:
            how = ("REPLAY, nothing is changed", "bold $heading")
        elif status.ended:
            when = f" at {clock(view.ended)}" if view.ended is not None else ""
            how = (f"■ ENDED{when} (q quits)", "bold $urgent")
        else:
            how = ("▶ listening", "bold $good")
        wrong = [
            (f"!! {clean(trouble)} ", "bold $on-urgent on $urgent") for trouble in status.troubles
        ]
        return Content.assemble(
            *wrong, how, (f"  {clean(status.title)}  {clean(status.source)}  {weight}", "$quiet")
        )


def _recording(kept: bool, on: bool) -> tuple[str, str]:
    if kept and not on:
        return "‖ RECORDING PAUSED", "bold $on-urgent on $urgent"
    if kept:
        return "● RECORDING ON", "bold $on-urgent on $good"
    return "○ recording off", "bold $ink"


def _replaying(replay: Replaying) -> tuple[str, str]:
    how = "▶ playing" if replay.playing else "‖ paused"
    return f"{how} {replay.speed:g}×, {clean(replay.sound)}", "bold $good"


class Bottom(Static):
    """The caution, always on screen, and the keys."""

    def show(self, keys: Iterable[tuple[str, str]]) -> None:
        """Shows the caution and these (key, what it does) pairs."""
        parts: list[tuple[str, str]] = [(CAUTION, "$quiet")]
        for key, what in keys:
            # One piece, so that no line ends between a key and its word.
            parts += [(" ", ""), (key.replace(" ", NO_BREAK), "bold $heading")]
            parts += [(f"{NO_BREAK}{what.replace(' ', NO_BREAK)}", "$quiet")]
        self.update(Content.assemble(*parts))


class Partial(Static):
    """The words heard so far of the utterance being spoken."""

    def show(self, status: Status, notice: str = "") -> None:
        """Shows the partial words, the end of them where they are long; or a notice instead."""
        words = clean(status.partial).strip()
        room = max(self.size.width - 12, 20)
        words = words if len(words) <= room else f"…{words[-room + 1 :]}"
        content = (
            Content.assemble(("hearing ", "bold $heading"), (words, "italic $ink"), (" …", "$ink"))
            if words
            else Content("")
        )
        if notice:
            content = Content.styled(f"» {clean(notice)}", "bold $ink").truncate(
                max(self.size.width - 2, 20), ellipsis=True
            )
        if content != self.content:
            self.update(content, layout=False)
