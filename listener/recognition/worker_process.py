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
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import IO, Any, Final

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

    def ask(self, request: tuple[Any, ...], patience_s: float) -> Any:
        """Return the answer. Raises Failed, or the UserError of what answers."""
        try:
            self._send(request)
        except (OSError, ValueError):  # ValueError: another thread has ended it
            raise Failed("died") from None
        return self._answer(patience_s)

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

    def _answer(self, patience_s: float) -> Any:
        try:
            answer = self._answers.get(timeout=patience_s)
        except queue.Empty:
            raise Failed(f"gave no answer for {patience_s:g} s") from None
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

    def answer(self, *request: Any) -> Any:
        """Return its answer; None where there is no process, or it failed, which becomes news.

        Raises UserError where it cannot be made here; then there is none any more.
        """
        process = self.process
        if process is None:
            return None
        try:
            if not self._ready:
                process.made(self._start_patience_s)
                self._ready = True
            return process.ask(request, self._patience_s)
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
    """The other side: make what answers, then answer until the pipe closes."""
    answers = os.fdopen(os.dup(1), "wb")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)  # a library that prints must not break the answers
    requests: queue.SimpleQueue[Any] = queue.SimpleQueue()
    reading = threading.Thread(target=_requests, args=(sys.stdin.buffer, requests), daemon=True)
    reading.start()
    function: list[Callable[..., Any]] = []

    def make(maker: Callable[[], Callable[..., Any]]) -> None:
        function.append(maker())

    pickle.dump(_answered(make, requests.get()), answers)
    answers.flush()
    while function:
        pickle.dump(_answered(function[0], *requests.get()), answers)
        answers.flush()


def _answered(function: Callable[..., Any], *request: Any) -> tuple[str, Any]:
    """Return the answer to a request, or how it failed."""
    try:
        return "ok", function(*request)
    except UserError as error:
        return "refused", str(error)
    except Exception as error:
        return "raised", f"{type(error).__name__}: {error}"


def _requests(pipe: IO[bytes], requests: queue.SimpleQueue[Any]) -> None:
    """Take requests; where the one that listens is gone, end, even if the native code hangs."""
    try:
        while True:
            requests.put(pickle.load(pipe))
    finally:
        os._exit(0)
