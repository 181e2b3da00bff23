"""The strip of what was heard with doubt: each utterance with its two best guesses, and a key for each."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Literal

from textual import events
from textual.content import Content
from textual.message import Message
from textual.style import Style
from textual.widgets import Static

from grammar.case.view import Utterance, View
from grammar.language.meaning import Slots
from grammar.language.other_readings import Guess
from grammar.protocol.model import Protocol
from tui.dashboard.keys import UNSURE_ITEMS, KeyMap
from tui.text.wording import (
    clock,
    heard,
    meaning_in_words,
    slots_in_words,
    station,
    told_apart,
    utterance_in_words,
)

REST = 5
"""Looks for which a place stays empty after its utterance has gone: a key that was meant for that one
must not hit the next."""

STANDS_S = 1.0
"""Seconds from which a place that held another utterance stands for the one it holds now: a key struck
sooner was meant for the other."""

Guessing = Callable[[Utterance], Sequence[Guess]]


Shape = frozenset[Literal["kind", "others"]]
"""A shorter wording of guesses: with the kind of call; of the second only the values that are others."""

SHORTER: tuple[Shape, ...] = (
    frozenset(("kind",)),
    frozenset(("kind", "others")),
    frozenset(("others",)),
)


def rank(said: Utterance) -> int:
    """Return how soon a doubtful utterance gets a place: drugs and doses first (0), then numbers, then the
    rest, last what answers nothing."""
    if said.loop is None and said.role == "read-back":
        return 3
    slots = [name for reading in said.meaning.readings for name in reading.slots]
    if {"drug", "amount"} & {*slots, *said.slots}:
        return 0
    return 1 if said.meaning.at_stake else 2


class UnsureStrip(Static):
    """The strip of unsure utterances. Each keeps its place, and so its keys, until it is settled."""

    class Chosen(Message):
        """A guess was clicked."""

        def __init__(self, item: int, guess: int) -> None:
            super().__init__()
            self.item, self.guess = item, guess

    def __init__(
        self,
        protocol: Protocol,
        keys: KeyMap | None,
        guess: Guessing,
        seconds: Callable[[], float] = time.monotonic,
    ) -> None:
        """Without `keys` it only shows. `seconds` is a clock that only goes on."""
        super().__init__(id="unsure", markup=False)
        self.auto_links = False
        self._protocol = protocol
        self._keymap = keys
        self._guess = guess
        self._places: list[int | None] = [None] * UNSURE_ITEMS
        self._rest = [0] * UNSURE_ITEMS
        self._seconds = seconds
        self._changed: list[float | None] = [None] * UNSURE_ITEMS
        """When each place went from one utterance to another; None where it held no other."""
        self._held = [False] * UNSURE_ITEMS
        self._shown: dict[int, Utterance] = {}
        self.rows = 0
        """Rows that it took when it was last drawn."""

    def at(self, item: int) -> Utterance | None:
        """Return the utterance in a place, None where it is empty."""
        fact = self._places[item]
        return self._shown.get(fact) if fact is not None else None

    def stands(self, item: int) -> bool:
        """Return whether a place has stood long enough for what it holds."""
        changed = self._changed[item]
        return changed is None or self._seconds() - changed >= STANDS_S

    @property
    def hidden(self) -> list[Utterance]:
        """Unsure utterances without a place, in the order in which they would get one."""
        return [self._shown[fact] for fact in self._waiting()]

    def _waiting(self) -> list[int]:
        waiting = [fact for fact in self._shown if fact not in self._places]
        return sorted(waiting, key=lambda fact: (rank(self._shown[fact]), fact))

    def show(self, view: View, rows: int) -> int:
        """Draw what is unsure in at most `rows` rows; return how many it takes."""
        self._shown = {said.fact: said for said in view.unsure}
        self._settle(max((rows - 1) // 2, 0))
        lines: list[Content] = []
        for item in range(UNSURE_ITEMS):
            said = self.at(item)
            if said is not None:
                lines += self._item(item, said, rows - 1 - len(lines))
        self.rows = taken = len(lines) + 1 if view.unsure and rows else 0
        self.display = bool(taken)
        if taken:
            hidden = len(view.unsure) - sum(1 for each in self._places if each is not None)
            heading = Content.assemble(
                ("UNSURE ", "bold $heading"),
                (f"{len(view.unsure)}", "bold"),
                ("  choose what was said", "$quiet"),
                (f"  +{hidden} more{self._rest_key()}" if hidden else "", "bold $urgent"),
            )
            width = max(self.scrollable_content_region.width, 20)
            content = Content("\n").join([_cut(heading, width), *lines])
            if self.styles.height is None or self.styles.height.cells != taken:
                self.styles.height = taken
            if content != self.content:
                self.update(content, layout=False)
        return taken

    def _settle(self, room: int) -> None:
        """Give places to what has none, drugs first, and take them from what is settled.

        Where a drug waits and all places are taken, the last of those without one gives way.
        """
        for item, fact in enumerate(self._places):
            self._rest[item] = max(self._rest[item] - 1, 0)
            if fact is not None and (fact not in self._shown or item >= room):
                self._empty(item)
        waiting = self._waiting()
        places = range(min(room, UNSURE_ITEMS))
        drugs = sum(1 for fact in waiting if rank(self._shown[fact]) == 0)
        free = sum(1 for item in places if self._places[item] is None)
        for item in reversed(places):
            fact = self._places[item]
            if drugs > free and fact is not None and rank(self._shown[fact]) > 0:
                self._empty(item)
                free += 1
        for item in places:
            if waiting and self._places[item] is None and not self._rest[item]:
                self._places[item] = waiting.pop(0)
                self._changed[item] = self._seconds() if self._held[item] else None
                self._held[item] = True

    def _empty(self, item: int) -> None:
        self._places[item] = None
        self._rest[item] = REST

    def _rest_key(self) -> str:
        return f": {self._keymap.shown('unsure-rest')}" if self._keymap else ""

    def _item(self, item: int, said: Utterance, rows: int) -> list[Content]:
        width = max(self.scrollable_content_region.width, 20)
        speaker = station(self._protocol, said.sender)
        first = Content.assemble(
            (f"? {clock(said.t)} ", "bold $urgent"),
            (f"{speaker}: " if speaker else "", "bold $ink"),
            (heard(said.text), "$ink"),
        )
        found = list(self._guess(said))[:1]
        texts = [utterance_in_words(self._protocol, said)]
        texts += [meaning_in_words(self._protocol, guess.meaning) for guess in found]
        guesses = self._beside(item, texts, other_words=not found)
        # Sooner than a value that is cut the words go that both guesses share, and then the kind of call.
        for shape in SHORTER:
            if rows >= 3 or sum(each.cell_length for each in guesses) + 3 <= width - 2:
                break
            guesses = self._beside(item, self._in_short(said, found, shape), other_words=not found)
        beside = Content("   ").join(guesses)
        both = [beside] if beside.cell_length <= width - 2 or rows < 3 else guesses
        lines = [first, *(Content.assemble("  ", line) for line in both)]
        return [_cut(line, width) for line in lines]

    def _beside(self, item: int, texts: Sequence[str], *, other_words: bool) -> list[Content]:
        guesses = [self._choice(item, at, text) for at, text in enumerate(texts)]
        if other_words and self._keymap:
            guesses.append(self._choice(item, 1, "other words"))
        return guesses

    def _in_short(self, said: Utterance, found: Sequence[Guess], shape: Shape) -> list[str]:
        """Return the values of an utterance and of its guess, which decide; a call without a value keeps
        its words."""
        protocol, reads = self._protocol, [guess.meaning for guess in found]
        texts = [self._values(said.call, said.slots, shape) or utterance_in_words(protocol, said)]
        for meaning in reads:
            reading = meaning.reading
            if reading is None:
                texts.append(meaning_in_words(protocol, meaning))
                continue
            other = {n: v for n, v in reading.slots.items() if said.slots.get(n) != v}
            if "others" in shape and reading.call == said.call and other:
                texts.append(f"or {slots_in_words(protocol, reading.call, reading.slots, other)}")
            else:
                values = self._values(reading.call, reading.slots, shape)
                texts.append(values or meaning_in_words(protocol, meaning))
        return texts

    def _values(self, call: str | None, slots: Slots, shape: Shape) -> str:
        values = slots_in_words(self._protocol, call, slots) if call else ""
        kind = call and values and "kind" in shape
        return told_apart(self._protocol, call or "", values) if kind else values

    def _choice(self, item: int, at: int, text: str) -> Content:
        if self._keymap is None:
            return Content.styled(f"{'or ' if at else ''}{text}", "bold $ink")
        key = self._keymap.shown(f"unsure-{2 * item + at + 1}")
        line = Content.assemble((f"{key} ", "bold $heading"), (text, "bold $ink"))
        return line.stylize(Style.from_meta({"unsure": (item, at)}))

    def on_click(self, event: events.Click) -> None:
        """Choose the guess that was clicked."""
        place = event.style.meta.get("unsure")
        if place is not None:
            self.post_message(self.Chosen(*place))


def _cut(line: Content, width: int) -> Content:
    return line if line.cell_length <= width else line.truncate(width, ellipsis=True)
