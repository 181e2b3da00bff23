"""A recogniser in a process of its own (`worker_process.py`), started again when it hangs or dies.

The next one is given the sound that it had not yet answered.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import Any, Final

import numpy as np

from grammar.errors import UserError
from grammar.language.words import Word
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.calibration import Calibration
from listener.recognition.n_best import Alternative
from listener.recognition.recogniser import Hearing, HearingFailed, Recogniser
from listener.recognition.worker_process import Failed, SupervisedProcess, WorkerProcess

PATIENCE_S: Final = 10.0
"""An answer takes some milliseconds, on a crowded machine a few tenths of a second."""

START_PATIENCE_S: Final = 60.0
"""Loading a published model from a slow disk takes a while."""

TRIES: Final = 2
"""Engines that may fail at one segment before it is given up."""

_PIECE: Final = SAMPLE_RATE
"""Samples given at once when a segment is told again."""


class SupervisedRecogniser(SupervisedProcess):
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
        super().__init__()
        self._make = make
        self._patience_s, self._start_patience_s = patience_s, start_patience_s
        self._opened = 0
        self.life = 0
        """How many processes were started."""
        try:
            self.name, self.calibration = self._started()
        except Failed as failed:
            raise UserError(f"The recogniser cannot be started: {failed}.") from None

    def open(self) -> EngineHearing:
        """Begin a speech segment."""
        self._opened += 1
        return EngineHearing(self, self._opened)

    def ask(self, *request: Any) -> Any:
        """Return the engine's answer. Raises Failed; then there is no engine until the next
        is asked for.
        """
        if self.process is None:
            try:
                self._started()
            except UserError as error:  # its model was there when the case began
                raise Failed(f"cannot be started again ({error})") from None
        assert self.process is not None
        try:
            return self.process.ask(request, self._patience_s)
        except Failed as failed:
            self.close()
            self._news.append(
                f"the recogniser {failed}: started again, what was said is heard late"
            )
            raise

    def is_alive(self, life: int) -> bool:
        """Return whether the process that was the `life`-th still runs, for all that is known."""
        return self.process is not None and self.life == life

    def _started(self) -> tuple[str, Calibration | None]:
        """Return a new process; the name of the engine in it, and how its evidence is weighed."""
        self.life += 1
        process = WorkerProcess(partial(_Answering, self._make))
        try:
            process.made(self._start_patience_s)
            name, calibration = process.ask(("about",), self._patience_s)
        except (Failed, UserError):
            process.end()
            raise
        self.process = process
        return str(name), calibration


class EngineHearing:
    """One speech segment; it keeps its sound until its words are there."""

    def __init__(self, engine: SupervisedRecogniser, number: int) -> None:
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
        with suppress(HearingFailed):  # finishing says it
            self._partial = str(self._asked("accept", samples.tobytes()))

    def partial(self) -> str:
        """Return the words so far, as they may still change."""
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
            except Failed:
                self._failures += 1
        raise HearingFailed("the recogniser failed at this speech")

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


class _Answering:
    """The other side: the recogniser and its open segments."""

    def __init__(self, make: Callable[[], Recogniser]) -> None:
        self._recogniser = make()
        self._open: dict[int, Hearing] = {}

    def __call__(self, what: str, which: int = 0, sound: bytes = b"") -> Any:
        """Return the answer to a request."""
        if what == "about":
            return self._recogniser.name, self._recogniser.calibration
        if what == "open":
            self._open[which] = self._recogniser.open()
            return None
        if what == "accept":
            hearing = self._open[which]
            hearing.accept(np.frombuffer(sound, dtype=np.int16))
            return hearing.partial()
        hearing = self._open.pop(which)
        return hearing.finish(), tuple(hearing.alternatives)
