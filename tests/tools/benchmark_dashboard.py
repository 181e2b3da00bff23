"""Prints how the dashboard bears its load: `python -m tests.tools.benchmark_dashboard [SECONDS]`.

Ten utterances a second, sentences drawn from the shipped protocol, are folded into a case by a thread
of its own, as they are when heard, while keys are pressed; then the same dashboard stands idle; then it
shows four hours of facts. A key counts as answered when Textual hands the driver a frame that shows it.
Terminal: 100 x 30. Share of one core: processor time of the whole process over the time of the clock.
"""

from __future__ import annotations

import asyncio
import random
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import replace

from textual.events import Key

from grammar.case.facts import CaseStarted, Fact, Heard
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.phrases import network
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from tests.support.screens import ShownCase
from tests.tools.benchmark_fold import heard, sentence

A_SECOND = 10
LONG_FACTS = 20_000
"""Four hours at one fact every 0.72 s, as in benchmark_fold.py."""
KEYS = ("m", "up", "down", "c", "escape", "a", "escape", "question_mark", "escape")
SCROLLING = ("home", "pagedown", "pageup", "pagedown", "end", "up", "pageup", "down")


class Timed(ShownCase):
    """A dashboard whose frames are counted as they leave for the terminal."""

    def __init__(self, shown: Case, now: float) -> None:
        super().__init__(shown, now)
        self.frames = 0
        self.drawn = asyncio.Event()
        self._adding = threading.Lock()
        app = self.app
        display = app._display

        def displayed(*args, **options):  # type: ignore[no-untyped-def]
            display(*args, **options)
            self.frames += 1
            self.drawn.set()

        app._display = displayed  # type: ignore[method-assign]

    def add(self, fact: Fact) -> Utterance | None:
        """One more fact, whoever tells it."""
        with self._adding:
            return self.case.add(replace(fact, seq=len(self.case.facts) + 1))

    _tell = add

    async def press_ms(self, key: str) -> tuple[float, float]:
        """From the key to the first frame after it, milliseconds: of the clock, and of this thread's
        processor time, which other work on the machine does not lengthen."""
        self.drawn.clear()
        began, busy = time.perf_counter(), time.thread_time()
        self.app.post_message(Key(key, key if len(key) == 1 else None))
        await asyncio.wait_for(self.drawn.wait(), 5)
        return 1000 * (time.perf_counter() - began), 1000 * (time.thread_time() - busy)


def line(what: str, found: Sequence[tuple[float, float]]) -> str:
    told = []
    for name, values in zip(("clock", "processor"), zip(*found, strict=True), strict=True):
        ordered = sorted(values)
        late = ordered[int(0.95 * (len(ordered) - 1))]
        told.append(
            f"  {name}: {ordered[len(ordered) // 2]:.0f} ms median, {late:.0f} ms 95th percentile,"
            f" {ordered[-1]:.0f} ms at most"
        )
    return "\n".join([f"{what}, {len(found)} keys", *told])


def feed(desk: Timed, net: Network, seconds: float) -> None:
    """Folds ten utterances a second into the case, on the clock."""
    draw, began = random.Random(1), time.perf_counter()
    for count in range(round(seconds * A_SECOND)):
        wait = began + count / A_SECOND - time.perf_counter()
        if wait > 0:
            time.sleep(wait)
        words = tuple(Word(word, desk.now, desk.now + 0.1, 0.9) for word in sentence(net, draw))
        desk.now += 1 / A_SECOND
        desk.add(Heard(t=desk.now - 0.1, until=desk.now, words=words))


async def keys(desk: Timed, names: Sequence[str], seconds: float) -> list[tuple[float, float]]:
    """Keys pressed at odd moments, each timed."""
    draw, began = random.Random(2), time.perf_counter()
    found: list[tuple[float, float]] = []
    while time.perf_counter() - began < seconds:
        await asyncio.sleep(draw.uniform(0.1, 0.3))
        found.append(await desk.press_ms(names[len(found) % len(names)]))
    return found


async def busy(desk: Timed, net: Network, seconds: float) -> None:
    async with desk.app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        feeding = threading.Thread(target=feed, args=(desk, net, seconds), daemon=True)
        cpu, clock = time.process_time(), time.perf_counter()
        feeding.start()
        found = await keys(desk, KEYS, seconds)
        share = (time.process_time() - cpu) / (time.perf_counter() - clock)
        feeding.join()
        colours = await keys(desk, ("d",), 1.0)
        print(line(f"key to frame at {A_SECOND} utterances a second", found))
        print(f"busy at {A_SECOND} utterances a second: {share:.0%} of one core, keys included")
        print(line("other colours, everything drawn anew", colours))
        await pilot.pause(1.0)
        cpu, clock = time.process_time(), time.perf_counter()
        await asyncio.sleep(seconds / 2)
        share = (time.process_time() - cpu) / (time.perf_counter() - clock)
        print(f"idle: {share:.1%} of one core")


async def long_case(net: Network, seconds: float) -> None:
    draw = random.Random(3)
    shown = Case(load_protocol("isolation-airway"))
    shown.add(CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70))
    for seq in range(2, LONG_FACTS + 2):
        shown.add(heard(seq, sentence(net, draw)))
    desk = Timed(shown, 0.72 * LONG_FACTS)
    async with desk.app.run_test(size=(100, 30)) as pilot:
        await pilot.pause(1.0)
        found = await keys(desk, SCROLLING, seconds)
        print(line(f"key to frame, scrolling through {LONG_FACTS} facts", found))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    net = network(load_protocol("isolation-airway"))
    shown = Case(load_protocol("isolation-airway"))
    shown.add(CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70, recording=True))
    asyncio.run(busy(Timed(shown, 0.0), net, seconds))
    asyncio.run(long_case(net, seconds / 2))


if __name__ == "__main__":
    main()
