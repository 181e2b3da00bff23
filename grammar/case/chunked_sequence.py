"""An immutable sequence whose changes cost nearly the same however long it is.

A case of a week has hundreds of thousands of loops: a tuple would be copied whole for each. Items lie in
chunks, and the chunks in blocks, each as many: a change near the end, where nearly all are, copies a chunk
and a block.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from typing import TypeAlias, TypeVar, overload

T = TypeVar("T")
U = TypeVar("U")

Block: TypeAlias = tuple[tuple[T, ...], ...]
"""Full chunks, up to SIZE."""

SIZE = 64
"""Items of a chunk."""

MARGIN = 256
"""Items that `edited` looks back past the last one that may change: what was heard with doubt takes
effect a little later than its number says."""


class ChunkedSequence(Sequence[T]):
    """The sequence. `plus`, `put` and `edited` give a new one; this one stays as it is."""

    __slots__ = ("_blocks", "_full", "_last")

    def __init__(self, items: Iterable[T] = ()) -> None:
        whole = tuple(items)
        edge = len(whole) // SIZE * SIZE
        chunks = tuple(whole[at : at + SIZE] for at in range(0, edge, SIZE))
        self._blocks, self._full = _in_blocks(chunks)
        self._last = whole[edge:]

    def plus(self, item: T) -> ChunkedSequence[T]:
        """Return this with one item more."""
        last = (*self._last, item)
        if len(last) < SIZE:
            return self._of(self._blocks, self._full, last)
        full = (*self._full, last)
        if len(full) < SIZE:
            return self._of(self._blocks, full, ())
        return self._of((*self._blocks, full), (), ())

    def plus_all(self, items: Iterable[T]) -> ChunkedSequence[T]:
        """Return this with more items."""
        longer = self
        for item in items:
            longer = longer.plus(item)
        return longer

    def put(self, at: int, item: T) -> ChunkedSequence[T]:
        """Return this with `item` in place `at`, 0 or more. Raises IndexError beyond its end."""
        if not 0 <= at < len(self):
            raise IndexError(at)
        number, place = divmod(at, SIZE)
        block, chunk = divmod(number, SIZE)
        if block < len(self._blocks):
            found = self._blocks[block]
            changed = _with(found, chunk, _with(found[chunk], place, item))
            return self._of(_with(self._blocks, block, changed), self._full, self._last)
        if chunk < len(self._full):
            changed = _with(self._full, chunk, _with(self._full[chunk], place, item))
            return self._of(self._blocks, changed, self._last)
        return self._of(self._blocks, self._full, _with(self._last, place, item))

    def shared(self, other: ChunkedSequence[T]) -> int:
        """Return how many items both have from the beginning on, at least: those in whole chunks that are
        the same, and no more are looked at."""
        count = 0
        for own, its in zip(self._blocks, other._blocks, strict=False):
            if own is not its:
                break
            count += SIZE
        for own_chunk, its_chunk in zip(self._chunks(count), other._chunks(count), strict=False):
            if own_chunk is not its_chunk:
                break
            count += 1
        return SIZE * count

    def newest(self, count: int) -> tuple[T, ...]:
        """Return the last `count` items, up to SIZE, in their order; all where there are no more."""
        last = self._last
        if count > len(last):
            before = self._full or (self._blocks[-1] if self._blocks else ())
            if before:
                return (*before[-1], *last)[-count:]
        return last[-count:]

    def edited(
        self, change: Callable[[T], T | None], number: Callable[[T], int], since: int
    ) -> ChunkedSequence[T]:
        """Return this with each item as `change` gives it, left out where that is None.

        `number` gives the number of the fact that an item came with. Items of one before `since` stay:
        where MARGIN of them stand in a row, none before these is looked at.
        """
        start = at = len(self)
        seen = 0
        for items in self._chunks_backwards():
            at -= len(items)
            if max(map(number, items), default=since - 1) < since:
                seen += len(items)
            else:
                seen = next(place for place, x in enumerate(items) if number(x) >= since)
                start = at + seen
            if seen >= MARGIN:
                break
        if start == len(self):
            return self
        tail = [new for item in self[start:] if (new := change(item)) is not None]
        edge = start // SIZE
        block, chunk = divmod(edge, SIZE)
        full = self._blocks[block] if block < len(self._blocks) else self._full
        kept = self._of(self._blocks[:block], full[:chunk], self[edge * SIZE : start])
        return kept.plus_all(tail)

    def latest(self, wanted: Callable[[T], bool], older: Callable[[T], bool]) -> T | None:
        """Return the last item that is wanted, looked for until MARGIN in a row are `older`; else None."""
        seen = 0
        for item in self._backwards():
            if wanted(item):
                return item
            seen = seen + 1 if older(item) else 0
            if seen == MARGIN:
                return None
        return None

    def _chunks(self, first: int = 0) -> Iterator[tuple[T, ...]]:
        """Give the full chunks in order, from the chunk of the number `first` on."""
        block, chunk = divmod(first, SIZE)
        for each in (*self._blocks[block:], *([self._full] if block <= len(self._blocks) else [])):
            yield from each[chunk:]
            chunk = 0

    def _chunks_backwards(self) -> Iterator[tuple[T, ...]]:
        yield self._last
        yield from reversed(self._full)
        for block in reversed(self._blocks):
            yield from reversed(block)

    def _backwards(self) -> Iterator[T]:
        for chunk in self._chunks_backwards():
            yield from reversed(chunk)

    __reversed__ = _backwards

    @classmethod
    def _of(
        cls, blocks: tuple[Block[T], ...], full: Block[T], last: tuple[T, ...]
    ) -> ChunkedSequence[T]:
        made: ChunkedSequence[T] = cls.__new__(cls)
        made._blocks, made._full, made._last = blocks, full, last
        return made

    def __len__(self) -> int:
        return SIZE * (SIZE * len(self._blocks) + len(self._full)) + len(self._last)

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[T, ...]: ...
    def __getitem__(self, at: int | slice) -> T | tuple[T, ...]:
        if isinstance(at, slice):
            start, stop, step = at.indices(len(self))
            if step != 1:
                return tuple(self[i] for i in range(start, stop, step))
            edge = len(self) - len(self._last)
            if start >= edge:
                return self._last[start - edge : max(stop - edge, 0)]
            first = start // SIZE
            chunks = islice(self._chunks(first), max(stop // SIZE + 1 - first, 0))
            whole = tuple(chain(chain.from_iterable(chunks), self._last))
            return whole[start - first * SIZE : max(stop - first * SIZE, 0)]
        if at < 0:
            at += len(self)
        if not 0 <= at < len(self):
            raise IndexError(at)
        number, place = divmod(at, SIZE)
        block, chunk = divmod(number, SIZE)
        if block < len(self._blocks):
            return self._blocks[block][chunk][place]
        return self._full[chunk][place] if chunk < len(self._full) else self._last[place]

    def __iter__(self) -> Iterator[T]:
        for chunk in self._chunks():
            yield from chunk
        yield from self._last

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, ChunkedSequence):
            return NotImplemented
        ours, theirs = (self._blocks, self._full), (other._blocks, other._full)
        return ours == theirs and self._last == other._last

    __hash__ = None  # type: ignore[assignment]  # as for a list: compared by what it holds

    def __repr__(self) -> str:
        return f"ChunkedSequence({list(self)!r})"


def _in_blocks(chunks: tuple[tuple[T, ...], ...]) -> tuple[tuple[Block[T], ...], Block[T]]:
    """Return full chunks as full blocks, and what is left over."""
    edge = len(chunks) // SIZE * SIZE
    return tuple(chunks[at : at + SIZE] for at in range(0, edge, SIZE)), chunks[edge:]


def _with(items: tuple[U, ...], at: int, item: U) -> tuple[U, ...]:
    return (*items[:at], item, *items[at + 1 :])
