"""A case heard without a screen: each utterance, and the summary last, as a line of JSON."""

from __future__ import annotations

import json
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from grammar.case.facts import Doubted, Fact, HeardOut, SecondHearing, VoiceMatched
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.reports.summary import summary_json, utterance_json
from listener.audio.watches.watching import kind_of
from listener.live import Live
from tui.listening.case_listening import Listening
from tui.text.wording import clean

Line = Mapping[str, Any]


def run_headless(
    listening: Listening,
    tell_line: Callable[[Line], None] = lambda _line: None,
    tell_trouble: Callable[[str], None] = lambda _trouble: None,
) -> None:
    """Hear a case to its end, and close it.

    `tell_line` is given every utterance as its fact is stored, as a JSON-ready object, and the summary
    last; `tell_trouble` a sentence for each trouble, once as it begins. Ctrl-C ends the case as its end
    would, with its summary; a second one breaks it off.
    """
    listening.follower = _Lines(listening.case, listening.live, tell_line, tell_trouble)
    try:
        with _ending_on_interrupt(listening.live):
            listening.run()
    except Exception:
        listening.close()
        raise
    tell_line(summary_json(listening.case.view(listening.live.now)))
    listening.close()


def print_line(line: Line) -> None:
    """Print one line of JSON on standard output, at once."""
    print(json.dumps(line, ensure_ascii=False), flush=True)


def print_trouble(trouble: str) -> None:
    """Print one line on standard error, without what could steer a terminal."""
    print(f"warning: {clean(trouble)}", file=sys.stderr, flush=True)


class _Lines:
    """Tells the facts of a case that is heard as lines."""

    def __init__(
        self,
        case: Case,
        live: Live,
        tell_line: Callable[[Line], None],
        tell_trouble: Callable[[str], None],
    ) -> None:
        self._case = case
        self._live = live
        self._tell_line = tell_line
        self._tell_trouble = tell_trouble
        self._told: frozenset[str] = frozenset()

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        match fact:
            case Doubted():
                line: dict[str, Any] = {"kind": "doubted", "seq": fact.target}
                line |= {"t": round(fact.t, 2), "reason": fact.reason, "words": fact.words}
                self._tell_line(line)
            case SecondHearing():
                self._tell_again(fact.target, {"verdict": fact.verdict})
            case VoiceMatched():
                self._tell_again(fact.target, {"voice": dict(fact.shares)})
            case HeardOut():
                self._tell_again(fact.target, {"heard_out": True})
        if utterance is not None and fact.kind == "heard":
            stored = fact.seq <= self._live.fact_writer.stored
            self._tell_line(utterance_json(utterance) | ({} if stored else {"stored": False}))

    def troubles(self, troubles: Sequence[str]) -> None:
        found = {kind_of(trouble): trouble for trouble in troubles}
        for kind in found.keys() - self._told:
            self._tell_trouble(found[kind])
        self._told = frozenset(found)

    def _tell_again(self, seq: int, more: Line) -> None:
        log = self._case.state.log
        found = (line.utterance for line in reversed(log) if line.fact == seq)
        utterance = next(found, None)
        if utterance:
            self._tell_line({**utterance_json(utterance), **more})


@contextmanager
def _ending_on_interrupt(live: Live) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return

    def end(_signal: int, _frame: object) -> None:
        live.stop()
        signal.signal(signal.SIGINT, before)

    before = signal.signal(signal.SIGINT, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
