"""An immutable sequence whose changes cost nearly the same however long it is.

A case of a week has hundreds of thousands of loops: a tuple would be copied whole for each. Items lie in
chunks, and a change copies the chunk it falls into and the list of chunks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain
from typing import TypeVar, overload

T = TypeVar("T")

SIZE = 64
"""Items of a chunk."""

MARGIN = 256
"""Items that `edited` looks back past the last one that may change: what was heard with doubt takes
effect a little later than its number says."""


class ChunkedSequence(Sequence[T]):
    """The sequence. `plus`, `put` and `edited` give a new one; this one stays as it is."""

    __slots__ = ("_full", "_last")

    def __init__(self, items: Iterable[T] = ()) -> None:
        whole = tuple(items)
        edge = len(whole) // SIZE * SIZE
        self._full = tuple(whole[at : at + SIZE] for at in range(0, edge, SIZE))
        self._last = whole[edge:]

    def plus(self, item: T) -> ChunkedSequence[T]:
        """Return this with one item more."""
        last = (*self._last, item)
        if len(last) == SIZE:
            return self._of((*self._full, last), ())
        return self._of(self._full, last)

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
        if number == len(self._full):
            return self._of(self._full, (*self._last[:place], item, *self._last[place + 1 :]))
        chunk = self._full[number]
        chunk = (*chunk[:place], item, *chunk[place + 1 :])
        return self._of((*self._full[:number], chunk, *self._full[number + 1 :]), self._last)

    def edited(
        self, change: Callable[[T], T | None], older: Callable[[T], bool]
    ) -> ChunkedSequence[T]:
        """Return this with each item as `change` gives it, left out where that is None.

        Items that are all `older`, and so stay, are not looked at from MARGIN before the last other on.
        """
        start, seen = len(self), 0
        for at, item in zip(range(len(self) - 1, -1, -1), self._backwards(), strict=True):
            if older(item):
                seen += 1
                if seen == MARGIN:
                    break
            else:
                start, seen = at, 0
        if start == len(self):
            return self
        tail = [new for item in self[start:] if (new := change(item)) is not None]
        edge = start // SIZE
        kept = self._of(self._full[:edge], self[edge * SIZE : start])
        return kept.plus_all(tail)

    def latest(self, wanted: Callable[[T], bool], older: Callable[[T], bool]) -> T | None:
        """Return the last item that is wanted, looked for as far back as `edited` does; else None."""
        seen = 0
        for item in self._backwards():
            if wanted(item):
                return item
            seen = seen + 1 if older(item) else 0
            if seen == MARGIN:
                return None
        return None

    def _backwards(self) -> Iterator[T]:
        yield from reversed(self._last)
        for chunk in reversed(self._full):
            yield from reversed(chunk)

    __reversed__ = _backwards

    @classmethod
    def _of(cls, full: tuple[tuple[T, ...], ...], last: tuple[T, ...]) -> ChunkedSequence[T]:
        made: ChunkedSequence[T] = cls.__new__(cls)
        made._full, made._last = full, last
        return made

    def __len__(self) -> int:
        return SIZE * len(self._full) + len(self._last)

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[T, ...]: ...
    def __getitem__(self, at: int | slice) -> T | tuple[T, ...]:
        if isinstance(at, slice):
            start, stop, step = at.indices(len(self))
            if step != 1:
                return tuple(self[i] for i in range(start, stop, step))
            if start >= SIZE * len(self._full):
                edge = SIZE * len(self._full)
                return self._last[start - edge : max(stop - edge, 0)]
            first = start // SIZE
            chunks = (*self._full[first : stop // SIZE + 1], self._last)
            whole = tuple(chain.from_iterable(chunks))
            return whole[start - first * SIZE : max(stop - first * SIZE, 0)]
        if at < 0:
            at += len(self)
        if not 0 <= at < len(self):
            raise IndexError(at)
        number, place = divmod(at, SIZE)
        return self._last[place] if number == len(self._full) else self._full[number][place]

    def __iter__(self) -> Iterator[T]:
        for chunk in self._full:
            yield from chunk
        yield from self._last

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, ChunkedSequence):
            return NotImplemented
        return self._full == other._full and self._last == other._last

    __hash__ = None  # type: ignore[assignment]  # as for a list: compared by what it holds

    def __repr__(self) -> str:
        return f"ChunkedSequence({list(self)!r})"
