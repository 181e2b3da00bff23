"""A recogniser in a process of its own, started again when it hangs or dies.

Native code that fails an assertion ends its process, and code that hangs cannot be ended inside one: so
the engine lives apart, and what it had not yet answered is given to the next one. Nothing but pickled
requests and answers goes over its two pipes.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import IO, Any, Final

import numpy as np

from grammar.errors import UserError
from grammar.facts import Word
from listener.alternatives import Alternative
from listener.recogniser import SAMPLE_RATE, Hearing, Recogniser, Samples, Unheard

PATIENCE_S: Final = 10.0
"""An answer takes some milliseconds, on a crowded machine a few tenths of a second."""

START_PATIENCE_S: Final = 60.0
"""Loading a published model from a slow disk takes a while."""

TRIES: Final = 2
"""Engines that may fail at one segment before it is given up."""

_PIECE: Final = SAMPLE_RATE
"""Samples given at once when a segment is told again."""

_SERVE: Final = "from listener.engine import serve; serve()"


class _Failed(Exception):
    """The engine hangs, died, or raised; said in a clause."""


class Engine:
    """A recogniser that `make` builds, in a process of its own."""

    def __init__(
        self,
        make: Callable[[], Recogniser],
        patience_s: float = PATIENCE_S,
        start_patience_s: float = START_PATIENCE_S,
    ) -> None:
        """`make` can be pickled, such as a `functools.partial` of a module's function.

        Raises UserError where it does.
        """
        self._make = make
        self._patience_s, self._start_patience_s = patience_s, start_patience_s
        self._news: list[str] = []
        self._opened = 0
        self.life = 0
        """How many processes were started."""
        self._process: _Process | None = None
        try:
            self.name, self.calibrated = self._started()
        except _Failed as failed:
            raise UserError(f"The recogniser cannot be started: {failed}.") from None

    def open(self) -> EngineHearing:
        """Begin a speech segment."""
        self._opened += 1
        return EngineHearing(self, self._opened)

    def ask(self, *request: Any) -> Any:
        """The engine's answer. Raises _Failed; then there is no engine until the next is asked for."""
        if self._process is None:
            self._started()
        assert self._process is not None
        try:
            return self._process.ask(request, self._patience_s)
        except _Failed as failed:
            self.close()
            self._news.append(
                f"the recogniser {failed}: started again, what was said is heard late"
            )
            raise

    def is_alive(self, life: int) -> bool:
        """Whether the process that was the `life`-th still runs, for all that is known."""
        return self._process is not None and self.life == life

    def news(self) -> Iterator[str]:
        """What happened to the engine since this was last asked, each a sentence."""
        while self._news:
            yield self._news.pop(0)

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process:
            process.end()

    def _started(self) -> tuple[str, bool]:
        """A new process; the name of the engine in it, and whether it is calibrated."""
        self.life += 1
        process = _Process()
        try:
            name, calibrated = process.ask(("make", self._make), self._start_patience_s)
        except (_Failed, UserError):
            process.end()
            raise
        self._process = process
        return str(name), bool(calibrated)


class EngineHearing:
    """One speech segment; it keeps its sound until its words are there."""

    def __init__(self, engine: Engine, number: int) -> None:
        self._engine = engine
        self._number = number
        self._life = 0
        self._pieces: list[Samples] = []
        self._partial = ""
        self._failures = 0
        self.alternatives: tuple[Alternative, ...] = ()

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        self._pieces.append(samples)
        with suppress(Unheard):  # finishing says it
            self._partial = str(self._asked("accept", samples.tobytes()))

    def partial(self) -> str:
        """The words so far, as they may still change."""
        return self._partial

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words. Raises Unheard where one engine after the other failed at it."""
        words, alternatives = self._asked("finish")
        self.alternatives = tuple(alternatives)
        return tuple(words)

    def _asked(self, what: str, *given: Any) -> Any:
        while self._failures < TRIES:
            try:
                if not self._engine.is_alive(self._life):
                    told = self._told_again()
                    if what == "accept":
                        return told
                return self._engine.ask(what, self._number, *given)
            except _Failed:
                self._failures += 1
        raise Unheard("the recogniser failed at this speech")

    def _told_again(self) -> Any:
        """Give a new engine all the sound so far. The words so far."""
        self._engine.ask("open", self._number)
        self._life = self._engine.life
        sound = np.concatenate(self._pieces)
        answer: Any = ""
        for start in range(0, len(sound), _PIECE):
            piece = sound[start : start + _PIECE].tobytes()
            answer = self._engine.ask("accept", self._number, piece)
        return answer


class _Process:
    """A process that answers requests in turn."""

    def __init__(self) -> None:
        paths = [path or str(os.getcwd()) for path in sys.path]  # noqa: PTH109
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _SERVE],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            start_new_session=True,  # Ctrl-C is for the one that listens
        )
        self._answers: queue.SimpleQueue[tuple[str, Any] | None] = queue.SimpleQueue()
        threading.Thread(target=self._read, name="engine answers", daemon=True).start()

    def ask(self, request: tuple[Any, ...], patience_s: float) -> Any:
        """The answer. Raises _Failed, or the UserError of the engine."""
        assert self._process.stdin is not None
        try:
            pickle.dump(request, self._process.stdin)
            self._process.stdin.flush()
            answer = self._answers.get(timeout=patience_s)
        except queue.Empty:
            raise _Failed(f"gave no answer for {patience_s:g} s") from None
        except OSError:
            answer = None
        if answer is None:
            raise _Failed("died")
        kind, value = answer
        if kind == "refused":
            raise UserError(value)
        if kind == "raised":
            raise _Failed(f"failed ({value})")
        return value

    def end(self) -> None:
        """Kill the process and forget it."""
        self._process.kill()
        with suppress(OSError):
            if self._process.stdin:
                self._process.stdin.close()
        self._process.wait()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as answers, suppress(EOFError, OSError, pickle.PickleError):
            while True:
                self._answers.put(pickle.load(answers))
        self._answers.put(None)


def serve() -> None:
    """The other side: make the recogniser, then answer until the pipe closes."""
    answers = os.fdopen(os.dup(1), "wb")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)  # a library that prints must not break the answers
    requests: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
    reading = threading.Thread(target=_requests, args=(sys.stdin.buffer, requests), daemon=True)
    reading.start()
    answering = _Answering()
    while True:
        pickle.dump(answering.to(requests.get()), answers)
        answers.flush()


def _requests(pipe: IO[bytes], requests: queue.SimpleQueue[tuple[Any, ...]]) -> None:
    """Take requests; where the one that listens is gone, end, even if the engine hangs."""
    try:
        while True:
            requests.put(pickle.load(pipe))
    finally:
        os._exit(0)


class _Answering:
    """The recogniser and its open segments."""

    def __init__(self) -> None:
        self._recogniser: Recogniser | None = None
        self._open: dict[int, Hearing] = {}

    def to(self, request: tuple[Any, ...]) -> tuple[str, Any]:
        """The answer to a request, or how it failed."""
        try:
            return "ok", self._answer(*request)
        except UserError as error:
            return "refused", str(error)
        except Exception as error:
            return "raised", f"{type(error).__name__}: {error}"

    def _answer(self, what: str, which: Any, sound: bytes = b"") -> Any:
        if what == "make":
            self._recogniser = which()
            return self._recogniser.name, self._recogniser.calibrated
        assert self._recogniser is not None
        if what == "open":
            self._open[which] = self._recogniser.open()
            return None
        if what == "accept":
            hearing = self._open[which]
            hearing.accept(np.frombuffer(sound, dtype=np.int16))
            return hearing.partial()
        hearing = self._open.pop(which)
        return hearing.finish(), tuple(hearing.alternatives)
