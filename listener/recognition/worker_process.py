"""Native code in a process of its own, which may hang or die without harm to the one that listens.

Native code that fails an assertion ends its process, and code that hangs cannot be ended inside one.
Nothing but pickled requests and answers goes over the two pipes.
"""

from __future__ import annotations

import ctypes
import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any, Final, runtime_checkable
from typing import Protocol as Interface

from grammar.errors import UserError

_SERVE: Final = "from listener.recognition.worker_process import serve; serve()"


_USUALLY: Final = {
    # Threads of a matrix product wait for each other, on a crowded machine far longer than they save.
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    # glibc keeps freed memory apart for each thread, and only one of ours does the work.
    "MALLOC_ARENA_MAX": "1",
}
"""Settings of a worker's environment, where that of the one that listens has no others."""


_LOOK_S: Final = 0.05
"""While an answer is waited for that nobody may want any more, seconds between two looks whether so."""


@dataclass(frozen=True, slots=True)
class _BreakOff:
    """Goes to the worker in between: nobody wants the answer to request `number` any more."""

    number: int


@runtime_checkable
class BreaksOff(Interface):
    """A function that answers in a worker and can break off where nobody wants its answer any more."""

    unwanted: Callable[[], bool]
    """Set once it is made: whether the request that it works on is of no use any more."""


class Failed(Exception):
    """Raised where the worker hangs, died, or raised an error; its text is a clause."""


class WorkerProcess:
    """A process that answers requests in turn, by what `make` builds in it: a function of the requests.

    `make` can be pickled, such as a `functools.partial` of a module's function or a class.
    """

    def __init__(self, make: Callable[[], Callable[..., Any]]) -> None:
        """Begin to make it; the first answer shows whether it could be made."""
        paths = [path or str(os.getcwd()) for path in sys.path]  # noqa: PTH109
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _SERVE],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**_USUALLY, **os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            start_new_session=True,  # Ctrl-C is for the one that listens
        )
        self._answers: queue.SimpleQueue[tuple[str, Any] | None] = queue.SimpleQueue()
        self._asked = 0
        threading.Thread(target=self._read, name="answers", daemon=True).start()
        with suppress(OSError):  # that it died is said where its first answer is waited for
            self._send(make)

    @property
    def pid(self) -> int:
        """The process's number."""
        return self._process.pid

    def made(self, patience_s: float) -> None:
        """Wait, once, until it is made. Raises Failed, or the UserError that making it raised."""
        self._answer(patience_s)

    def ask(
        self,
        request: tuple[Any, ...],
        patience_s: float,
        unwanted: Callable[[], bool] | None = None,
    ) -> Any:
        """Return the answer. Raises Failed, or the UserError of what answers.

        Once `unwanted` says so, the worker is told that nobody wants the answer, and what it then answers
        is returned: one that cannot break off answers as ever.
        """
        self._asked += 1
        try:
            self._send(request)
        except (OSError, ValueError):  # ValueError: another thread has ended it
            raise Failed("died") from None
        return self._answer(patience_s, unwanted)

    def end(self) -> None:
        """Kill the process and forget it."""
        self._process.kill()
        with suppress(OSError):
            if self._process.stdin:
                self._process.stdin.close()
        self._process.wait()

    def _send(self, what: object) -> None:
        assert self._process.stdin is not None
        pickle.dump(what, self._process.stdin)
        self._process.stdin.flush()

    def _answer(self, patience_s: float, unwanted: Callable[[], bool] | None = None) -> Any:
        until = time.monotonic() + patience_s
        while True:
            left_s = until - time.monotonic()
            try:
                answer = self._answers.get(timeout=min(left_s, _LOOK_S) if unwanted else left_s)
                break
            except (queue.Empty, ValueError):  # ValueError: no time is left
                if time.monotonic() >= until:
                    raise Failed(f"gave no answer for {patience_s:g} s") from None
            if unwanted and unwanted():
                with suppress(OSError, ValueError):  # that it died is said by its answer
                    self._send(_BreakOff(self._asked))
                unwanted = None
        if answer is None:
            raise Failed("died")
        kind, value = answer
        if kind == "refused":
            raise UserError(value)
        if kind == "raised":
            raise Failed(f"failed ({value})")
        return value

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as answers, suppress(EOFError, OSError, pickle.PickleError):
            while True:
                self._answers.put(pickle.load(answers))
        self._answers.put(None)


class SupervisedProcess:
    """One process at a time, which may be started again, and what is to be told about it."""

    def __init__(self) -> None:
        self._news: list[str] = []
        self.process: WorkerProcess | None = None
        """The process that runs; None before the first and after one failed."""

    def news(self) -> Iterator[str]:
        """Return the events since the last call, each a sentence."""
        while self._news:
            yield self._news.pop(0)

    def close(self) -> None:
        """End the process. May be called from another thread."""
        process, self.process = self.process, None
        if process:
            process.end()


LIVES: Final = 3
"""Processes of an `OptionalProcess` that may fail before the case goes on without."""


class OptionalProcess(SupervisedProcess):
    """A process that a case can go on without. Not for several threads at once."""

    def __init__(
        self,
        make: Callable[[], Callable[..., Any]],
        *,
        patience_s: float,
        start_patience_s: float,
        name: str,
        once_failed: str,
        given_up: str,
    ) -> None:
        """Begin to make it, and do not wait for it. `make` can be pickled.

        The news calls it `name`; `once_failed` and `given_up` say in a clause what a failure costs, where
        it is started again and where it is not.
        """
        super().__init__()
        self._make = make
        self._patience_s, self._start_patience_s = patience_s, start_patience_s
        self._called, self._once_failed, self._given_up = name, once_failed, given_up
        self._lives = 1
        self._ready = False
        self.process = WorkerProcess(make)

    def answer(self, *request: Any, unwanted: Callable[[], bool] | None = None) -> Any:
        """Return its answer; None where there is no process, or it failed, which becomes news. `unwanted`
        as in `WorkerProcess.ask`.

        Raises UserError where it cannot be made here; then there is none any more.
        """
        process = self.process
        if process is None:
            return None
        try:
            if not self._ready:
                process.made(self._start_patience_s)
                self._ready = True
            return process.ask(request, self._patience_s, unwanted)
        except UserError:
            self.close()
            raise
        except Failed as failed:
            if self.process is not None:  # else it was closed meanwhile
                self._start_again(str(failed))
        return None

    def _start_again(self, failed: str) -> None:
        self.close()
        self._ready = False
        then = self._given_up
        if self._lives < LIVES:
            self._lives += 1
            self.process = WorkerProcess(self._make)
            then = f"started again, {self._once_failed}"
        self._news.append(f"{self._called} {failed}: {then}")


def give_back_memory() -> None:
    """Return to the system the memory that this process has freed, where its C library can (glibc's
    `malloc_trim`): one or two milliseconds."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if os.name == "posix" else None
    if trim:
        trim(0)


def serve() -> None:
    """Serve in the worker process: make what answers, then answer until the pipe closes."""
    answers = os.fdopen(os.dup(1), "wb")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)  # a library that prints must not break the answers
    requests = _Requests()
    reading = threading.Thread(target=requests.read, args=(sys.stdin.buffer,), daemon=True)
    reading.start()
    function: list[Callable[..., Any]] = []

    def make(maker: Callable[[], Callable[..., Any]]) -> None:
        made = maker()
        if isinstance(made, BreaksOff):
            made.unwanted = requests.is_unwanted
        function.append(made)

    pickle.dump(_answered(make, requests.next()), answers)
    answers.flush()
    while function:
        pickle.dump(_answered(function[0], *requests.next()), answers)
        answers.flush()


def _answered(function: Callable[..., Any], *request: Any) -> tuple[str, Any]:
    """Return the answer to a request, or how it failed."""
    try:
        return "ok", function(*request)
    except UserError as error:
        return "refused", str(error)
    except Exception as error:
        return "raised", f"{type(error).__name__}: {error}"


class _Requests:
    """The requests that come, the first of them numbered 0; used by the thread that takes them and by the
    one that answers."""

    def __init__(self) -> None:
        self._waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._number = -1
        self._unwanted = -1

    def next(self) -> Any:
        """Return the next request; it is waited for."""
        request = self._waiting.get()
        self._number += 1
        return request

    def is_unwanted(self) -> bool:
        """Return whether nobody wants the answer to the request that was returned last."""
        return self._unwanted == self._number

    def read(self, pipe: IO[bytes]) -> None:
        """Take requests; where the one that listens is gone, end, even if the native code hangs."""
        try:
            while True:
                came = pickle.load(pipe)
                if isinstance(came, _BreakOff):
                    self._unwanted = came.number
                else:
                    self._waiting.put(came)
        finally:
            os._exit(0)
