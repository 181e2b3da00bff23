"""Recognisers that hang, die or raise, for tests of what is done about it."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.confidence.verifier import Opinion
from listener.recognition.calibration import Calibration
from listener.recognition.engines import choose
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Hearing, Recogniser


class Counting:
    """Hears one word in each segment: how many samples it had."""

    name = "counting"
    calibration: Calibration | None = None

    def open(self) -> CountingHearing:
        return CountingHearing()


class CountingHearing:
    alternatives = ()

    def __init__(self) -> None:
        self._count = 0

    def accept(self, samples: Samples) -> None:
        self._count += len(samples)

    def partial(self) -> str:
        return str(self._count)

    def finish(self) -> tuple[Word, ...]:
        return (Word(str(self._count), 0.0, 0.1),)


class Failing:
    """Fails at one request, and so does each that is made while `times` are left in a file."""

    def __init__(self, inner: Recogniser, how: str, at: int, left: Path) -> None:
        self.name, self.calibration = inner.name, inner.calibration
        self._inner, self._how, self._at, self._left = inner, how, at, left
        self._requests = 0

    def open(self) -> FailingHearing:
        return FailingHearing(self, self._inner.open())

    def step(self) -> None:
        self._requests += 1
        times = int(self._left.read_text())
        if self._requests != self._at or not times:
            return
        self._left.write_text(str(times - 1))
        if self._how == "hangs":
            time.sleep(3600)
        elif self._how == "dies":
            os.abort()
        raise RuntimeError("out of its depth")


class FailingHearing:
    def __init__(self, engine: Failing, inner: Hearing) -> None:
        self._engine, self._inner = engine, inner

    def accept(self, samples: Samples) -> None:
        self._engine.step()
        self._inner.accept(samples)

    def partial(self) -> str:
        return self._inner.partial()

    def finish(self) -> tuple[Word, ...]:
        self._engine.step()
        return self._inner.finish()

    @property
    def alternatives(self) -> Sequence[Alternative]:
        return self._inner.alternatives


def counting(how: str, at: int, left: Path) -> Recogniser:
    return Failing(Counting(), how, at, left)


def listening(how: str, at: int, left: Path) -> Recogniser:
    """The real recogniser, failing likewise."""
    protocol = load_protocol("isolation-airway")
    return Failing(choose("auto", network(protocol), protocol.pronunciations), how, at, left)


def printing() -> Recogniser:
    """One whose library prints, on both streams."""
    os.write(1, b"LOG from native code\n" * 2000)
    os.write(2, b"WARNING from native code\n" * 20000)
    return Counting()


class Doubter:
    """A second listener that agrees, but fails while `times` are left in a file."""

    def __init__(self, how: str, left: Path) -> None:
        self._failing = Failing(Counting(), how, 1, left)

    def wanted(self, *_: object) -> bool:
        return True

    def opinion(self, *_: object) -> Opinion:
        self._failing.step()
        return Opinion(True, "ketamine ninety", 0.5)


class Stuck:
    name = "stuck"
    calibration: Calibration | None = None

    def open(self) -> Hearing:
        while True:
            time.sleep(1)


stuck = partial(Stuck)


class Nobody:
    """Nobody looks."""

    def heard(self, *_: object) -> None: ...
    def speaking(self, *_: object) -> None: ...
    def block(self, *_: object) -> None: ...
