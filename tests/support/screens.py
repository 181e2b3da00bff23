"""A dashboard to look at in tests: an invented case, and what the screen really draws of it."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from datetime import datetime
from functools import cache
from types import SimpleNamespace
from typing import Any

import pytest
from rich.color_triplet import ColorTriplet
from rich.console import RenderableType
from textual._compositor import Compositor, LayoutUpdate
from textual._context import visible_screen_stack
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widget import Widget

from grammar.case.facts import CaseStarted, Fact, Heard, Noted
from grammar.case.fold import Case
from grammar.case.view import HeardUpTo, Utterance, View
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.team.card_in_case import CardInCase
from tui.dashboard import action_base, preflight
from tui.dashboard.app import Dashboard
from tui.dashboard.dialogs import box
from tui.dashboard.dialogs.dialog import BOUNCE_S
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.settings import Settings
from tui.dashboard.status import Status


@cache
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


def heard(t: float, text: str, sender: str | None = None, confidence: float = 0.95) -> Heard:
    """An utterance of which each word takes 0.3 s."""
    words = tuple(
        Word(word, t + 0.3 * i, t + 0.3 * (i + 1), confidence)
        for i, word in enumerate(text.split())
    )
    return Heard(t=t, until=t + 0.3 * len(words), words=words, sender=sender)


def case(*facts: Fact, rules: Protocol | None = None) -> Case:
    """A case of these facts, for an invented patient of 70 kg, by the usual protocol or another."""
    made = Case(rules or protocol())
    name = made.protocol.protocol.id
    start = CaseStarted(protocol=name, weight_kg=70, engine="vosk", recording=True)
    for seq, fact in enumerate((start, *facts), start=1):
        made.add(replace(fact, seq=seq))
    return made


def note(t: float, text: str) -> Noted:
    return Noted(t=t, text=text)


def status(**changes: object) -> Status:
    plain = Status("vosk", -23.0, True, "", "drill.flac", protocol().protocol.title)
    return replace(plain, **changes)  # type: ignore[arg-type]


class KeyClock:
    """The clock by which keys are too soon after one another: it goes as the world's does, and a test that
    has nothing else to wait for puts it on."""

    def __init__(self) -> None:
        self._ahead_s = 0.0
        self._stands: float | None = None

    def __call__(self) -> float:
        """Return the moment, seconds."""
        real = time.monotonic() if self._stands is None else self._stands
        return real + self._ahead_s

    def put_on(self, seconds: float) -> None:
        """Let this time pass at once."""
        self._ahead_s += seconds

    def stand(self) -> None:
        """Go no more but where it is put on: keys are struck at once, however busy the machine is."""
        self._stands = time.monotonic()


@contextmanager
def by_the_clock(clock: KeyClock) -> Iterator[None]:
    """Keys are struck, and dialogs are drawn, at the moments of `clock`. Textual's own timers go on."""
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr("textual.message._time", SimpleNamespace(get_time=clock))
        for module in (action_base, box, preflight):
            changed.setattr(module, "time", SimpleNamespace(monotonic=clock))
        yield


class ShownCase:
    """The dashboard under test, with a clock and a status that the test sets.

    What is done at its keys is folded into the case at once, as the listening side would.
    """

    def __init__(
        self,
        shown: Case,
        now: float,
        told: Status | None = None,
        settings: Settings | None = None,
        *,
        only_shows: bool = False,
        speaks: bool = False,
        joins: bool = False,
    ) -> None:
        self.clock = KeyClock()
        """The clock of its keys, in a `desk`."""
        self.cards: list[CardInCase] = []
        """The cards that were begun."""
        self._joins = joins
        self.said: list[str] = []
        """The sentences that were said aloud."""
        self._speaks = speaks
        self.case, self.now, self.status = shown, now, told or status()
        self.heard: HeardUpTo | None = None
        """How far hearing has come; None where all is heard."""
        self.calls: list[str] = []
        self.played: list[tuple[float, float]] = []
        self.app = Dashboard(
            shown.protocol,
            view_at=self._view,
            clock=lambda: self.now,
            status=lambda: self.status,
            start=self._told("start"),
            stop=self._told("stop"),
            wall=lambda: datetime(2025, 1, 1, 14, 5, 33),
            manual=None if only_shows else self.manual(),
            settings=settings,
            hear_out=self._told("hear out"),
        )
        self.pilot: Pilot[None]

    def manual(self) -> ManualEntry:
        return ManualEntry(
            self.case.protocol,
            self._tell,
            lambda: self.case.facts,
            lambda: self.now,
            play=lambda start, end: self.played.append((start, end)),
            say=self.said.append if self._speaks else None,
            wall=lambda: datetime(2025, 1, 1, 14, 5, 33),
            read_card=self._card if self._joins else None,
        )

    def _card(self, station: str) -> CardInCase:
        self.cards.append(CardInCase(self.case.protocol, station, lambda _: None))
        self.status = replace(self.status, card=self.cards[-1].progress)
        return self.cards[-1]

    def _tell(self, fact: Fact) -> Utterance | None:
        return self.case.add(replace(fact, seq=len(self.case.facts) + 1))

    def _view(self, now: float) -> View:
        return self.case.view(now, self.heard)

    def _told(self, what: str) -> Callable[[], None]:
        return lambda: self.calls.append(what)

    async def wait(self, seconds: float) -> None:
        """Let this time pass for the keys; what is drawn has come to rest before and after."""
        await self.pilot.pause()
        self.clock.put_on(seconds)
        await self.pilot.pause()

    async def read_and_enter(self) -> None:
        """Enter after a look at what stands there, so that it counts after another."""
        await self.wait(BOUNCE_S)
        await self.pilot.press("enter")

    async def at(self, now: float) -> str:
        """The screen's text at another moment of the case. No key is pressed."""
        self.now = now
        return await self.text()

    async def text(self) -> str:
        """The screen's text, one line a row, as Textual lays it out."""
        self.app.look()
        await self.pilot.pause()
        self.app.look()
        await self.pilot.pause()
        return shown_text(self.app)


def shown_text(app: App[Any]) -> str:
    """The text of all that an app shows, one line a row; rows without text are left out.

    Textual draws it as for a terminal. Its exported picture holds the same and takes as long again.
    """
    behind = app._background_screens
    drawn = app.screen._compositor.render_update(full=True, screen_stack=behind)
    assert isinstance(drawn, LayoutUpdate)
    rows = ("".join(strip.text for strip in row) for row in drawn.strips)
    texts = (row.replace("\xa0", " ").rstrip() for row in rows)
    return "\n".join(text for text in texts if text)


def strips(screen: Widget) -> Iterator[tuple[tuple[ColorTriplet, ColorTriplet], str]]:
    """((text colour, ground), text) of all that is drawn in the displayed widgets."""
    for widget in screen.walk_children(Widget):
        if not widget.is_on_screen:
            continue
        for y in range(widget.size.height):
            for segment in widget.render_line(y):
                style = segment.style
                if style and style.color and style.bgcolor:
                    pair = (style.color.get_truecolor(), style.bgcolor.get_truecolor())
                    yield (pair[::-1] if style.reverse else pair), segment.text


@contextmanager
def drawn_where_looked_at() -> Iterator[None]:
    """Textual draws where the whole screen is asked for, as `shown_text` and pictures do.

    It would draw a part of the screen after each change too, for a terminal that is not there: no test sees
    that drawing, which took a third of the processor time. All else that follows on a change is done.
    """
    draw = Compositor.render_update

    def drawn(
        self: Compositor,
        full: bool = False,
        screen_stack: list[Screen[Any]] | None = None,
        simplify: bool = False,
    ) -> RenderableType | None:
        if full:
            return draw(self, full, screen_stack, simplify)
        visible_screen_stack.set(screen_stack or [])
        self._dirty_regions.clear()
        return None

    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(Compositor, "render_update", drawn)
        yield


@asynccontextmanager
async def desk(
    shown: Case,
    now: float,
    size: tuple[int, int] = (100, 30),
    told: Status | None = None,
    settings: Settings | None = None,
    *,
    only_shows: bool = False,
    speaks: bool = False,
    joins: bool = False,
) -> AsyncIterator[ShownCase]:
    """A dashboard of a case, `drawn_where_looked_at`, and once more at the end."""
    made = ShownCase(shown, now, told, settings, only_shows=only_shows, speaks=speaks, joins=joins)
    with drawn_where_looked_at(), by_the_clock(made.clock):
        async with made.app.run_test(size=size) as pilot:
            made.pilot = pilot
            await pilot.pause()
            yield made
            if made.app.is_running:
                shown_text(made.app)
