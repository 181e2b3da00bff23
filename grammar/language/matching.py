"""Finds every way in which words fit the frame and a body of the protocol, and the slots that each fills.

Templates are made once into steps: functions that go on to the next step for each way in which their part
fits. That is several times as quick as walking the templates anew for each utterance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from grammar.language.meaning import SlotValue
from grammar.language.numbers.spoken import NumberLanguage, SpokenNumber
from grammar.language.phrases import PROWORD_TYPES, Body
from grammar.protocol.templates import Choice, Literal, Maybe, Node, Rule, Slot
from grammar.protocol.templates import Sequence as Parts

LONGEST_NUMBER = 10
"""Words in the longest spoken number that is tried."""

LONGEST_DURATION = 2 * LONGEST_NUMBER + 3
"""Likewise: a number of minutes "and" a number of seconds."""

NUMBERS_KEPT = 1 << 13
"""Runs of words whose number, or want of one, is kept."""

Names = Mapping[str, Mapping[str, tuple[tuple[tuple[str, ...], str], ...]]]
"""Slot type -> first word -> (words, value), longest first."""


class Caught(NamedTuple):
    """Slots that a match has filled so far."""

    slots: tuple[tuple[str, SlotValue], ...] = ()
    prowords: tuple[str, ...] = ()
    to: str | None = None
    sender: str | None = None
    numbers: tuple[SpokenNumber, ...] = ()
    conflict: bool = False

    def slot(self, name: str, value: SlotValue) -> Caught:
        """Return this with one slot more."""
        slots, prowords, to, sender, numbers, conflict = self
        return Caught(
            slots=(*slots, (name, value)),
            prowords=prowords,
            to=to,
            sender=sender,
            numbers=numbers,
            conflict=conflict,
        )

    def number(self, spoken: SpokenNumber) -> Caught:
        """Return this with one spoken number more, for its doubts."""
        slots, prowords, to, sender, numbers, conflict = self
        clash = conflict or spoken.conflict is not None
        return Caught(
            slots=slots,
            prowords=prowords,
            to=to,
            sender=sender,
            numbers=(*numbers, spoken),
            conflict=clash,
        )


_NOTHING = Caught()


class _Run:
    """One utterance being matched."""

    __slots__ = ("body", "found", "length", "words")

    def __init__(self, words: tuple[str, ...]) -> None:
        self.words = words
        self.length = len(words)
        self.body: Body | None = None
        self.found: list[tuple[Body, Caught]] = []


_Step = Callable[[_Run, int, Caught], None]
"""Goes on from a place among the words, with the slots filled so far."""


class Matcher:
    """The frame and the phrases of one protocol, compiled for matching."""

    def __init__(
        self,
        language: NumberLanguage,
        rules: Mapping[str, Node],
        names: Names,
        frame: tuple[Node, Node],
        starting: Mapping[str, tuple[Body, ...]],
    ) -> None:
        """`starting` gives the bodies that may begin with each word."""
        self._language, self._rules, self._names = language, rules, names
        self._number = lru_cache(NUMBERS_KEPT)(language.read)
        self._duration = lru_cache(NUMBERS_KEPT)(language.read_duration)
        before, after = frame
        self._close = self._made(after, _take)
        made = {
            id(body): self._made(body.node, self._closing)
            for each in starting.values()
            for body in each
        }
        self._starting = {
            word: tuple((body, made[id(body)]) for body in each) for word, each in starting.items()
        }
        self._begin = self._made(before, self._opened)

    def ways(self, words: Sequence[str]) -> list[tuple[Body, Caught]]:
        """Return every body that all the words fit, with the slots that it fills."""
        run = _Run(tuple(words))
        self._begin(run, 0, _NOTHING)
        return run.found

    def _opened(self, run: _Run, at: int, caught: Caught) -> None:
        """After the frame's beginning: try each body that may begin with the next word."""
        here = run.words[at] if at < run.length else ""
        for body, step in self._starting.get(here, ()):
            run.body = body
            step(run, at, caught)

    def _closing(self, run: _Run, at: int, caught: Caught) -> None:
        if at == run.length:
            _take(run, at, caught)
        else:
            self._close(run, at, caught)

    def _made(self, node: Node, then: _Step) -> _Step:
        """Return the step of a template, which goes on to `then`."""
        match node:
            case Literal(word):
                return _literal(word, then)
            case Maybe(part):
                return _maybe(self._made(part, then), then)
            case Choice(options):
                return _choice(tuple(self._made(option, then) for option in options))
            case Parts(parts):
                for part in reversed(parts):
                    then = self._made(part, then)
                return then
            case Slot(name, kind):
                return self._slot(name, kind, then)
            case Rule(name):
                # The only rule with a value of its own is the number inside an amount.
                return self._slot("amount" if name == "number" else name, name, then)

    def _slot(self, name: str, kind: str, then: _Step) -> _Step:
        if kind in ("amount", "dose"):
            return _more(self._made(self._rules[kind], then))
        if kind == "unit":
            return _unit(self._language.UNITS, then)
        if kind == "number":
            return self._numbers(name, then)
        if kind == "duration":
            return self._durations("duration_s" if name == "duration" else name, then)
        return self._named(name, kind, then)

    def _numbers(self, name: str, then: _Step) -> _Step:
        read = self._number

        def step(run: _Run, at: int, caught: Caught) -> None:
            words = run.words
            for end in range(min(run.length, at + LONGEST_NUMBER), at, -1):
                spoken = read(words[at:end])
                if spoken:
                    then(run, end, caught.number(spoken).slot(name, spoken.value))

        return step

    def _durations(self, name: str, then: _Step) -> _Step:
        read = self._duration

        def step(run: _Run, at: int, caught: Caught) -> None:
            words = run.words
            for end in range(min(run.length, at + LONGEST_DURATION), at, -1):
                lasting = read(words[at:end])
                if lasting:
                    filled = caught.slot(name, lasting.seconds)
                    for spoken in lasting.numbers:
                        filled = filled.number(spoken)
                    then(run, end, filled)

        return step

    def _named(self, name: str, kind: str, then: _Step) -> _Step:
        forms = self._names[kind]

        def step(run: _Run, at: int, caught: Caught) -> None:
            if at >= run.length:
                return
            words = run.words
            for form, value in forms.get(words[at], ()):
                end = at + len(form)
                if words[at:end] == form:
                    then(run, end, _put(name, kind, value, caught))

        return step


def _take(run: _Run, at: int, caught: Caught) -> None:
    if at == run.length and run.body is not None:
        run.found.append((run.body, caught))


def _literal(word: str, then: _Step) -> _Step:
    def step(run: _Run, at: int, caught: Caught) -> None:
        if at < run.length and run.words[at] == word:
            then(run, at + 1, caught)

    return step


def _maybe(part: _Step, then: _Step) -> _Step:
    def step(run: _Run, at: int, caught: Caught) -> None:
        if at < run.length:
            part(run, at, caught)
        then(run, at, caught)

    return step


def _choice(options: tuple[_Step, ...]) -> _Step:
    def step(run: _Run, at: int, caught: Caught) -> None:
        for option in options:
            option(run, at, caught)

    return step


def _more(then: _Step) -> _Step:
    def step(run: _Run, at: int, caught: Caught) -> None:
        if at < run.length:
            then(run, at, caught)

    return step


def _unit(units: Mapping[str, str], then: _Step) -> _Step:
    def step(run: _Run, at: int, caught: Caught) -> None:
        unit = units.get(run.words[at]) if at < run.length else None
        if unit:
            then(run, at + 1, caught.slot("unit", unit))

    return step


def _put(name: str, kind: str, value: str, caught: Caught) -> Caught:
    if kind in PROWORD_TYPES:
        return caught._replace(prowords=(*caught.prowords, value))
    if kind == "station" and name == "to":
        return caught._replace(to=value)
    if kind == "station" and name == "from":
        return caught._replace(sender=value)
    return caught.slot(name, value)
