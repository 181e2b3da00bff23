"""A sequence that only grows, and shares what it has with its earlier selves.

A fold that keeps its states would copy a long tuple at every step. Here one more item costs the same
however many there are, and an older value still ends where it ended.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar, overload

T = TypeVar("T")


class PersistentSequence(Sequence[T]):
    """An immutable sequence: `plus` gives a longer one, and this one stays as it is."""

    __slots__ = ("_length", "_shared")

    def __init__(self, items: Sequence[T] = ()) -> None:
        self._shared: list[T] = list(items)
        self._length = len(self._shared)

    def plus(self, item: T) -> PersistentSequence[T]:
        """Return this sequence and one item more. The items are shared unless this value was grown
        before."""
        longer: PersistentSequence[T] = PersistentSequence.__new__(type(self))
        grown_before = len(self._shared) != self._length
        shared = self._shared[: self._length] if grown_before else self._shared
        shared.append(item)
        longer._shared = shared
        longer._length = self._length + 1
        return longer

    def continues(self, other: object) -> bool:
        """Return whether this is `other` with nothing or something more at its end. Constant time."""
        return (
            isinstance(other, PersistentSequence)
            and self._shared is other._shared
            and self._length >= other._length
        )

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[T, ...]: ...
    def __getitem__(self, at: int | slice) -> T | tuple[T, ...]:
        if isinstance(at, slice):
            start, stop, step = at.indices(self._length)
            if step == 1:
                return tuple(self._shared[start:stop])
            return tuple(self._shared[i] for i in range(start, stop, step))
        if at < 0:
            at += self._length
        if not 0 <= at < self._length:
            raise IndexError(at)
        return self._shared[at]

    def __iter__(self) -> Iterator[T]:
        for at in range(self._length):
            yield self._shared[at]

    def __reversed__(self) -> Iterator[T]:
        for at in range(self._length - 1, -1, -1):
            yield self._shared[at]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PersistentSequence):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # as for a list: compared by what it holds

    def __repr__(self) -> str:
        return f"Growing({list(self)!r})"
