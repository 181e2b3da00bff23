"""The chunked sequence is a tuple in all but its costs."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grammar.case.chunked_sequence import MARGIN, SIZE, ChunkedSequence


@given(st.integers(0, 400), st.data())
def test_it_does_what_a_tuple_does(length: int, data: st.DataObject) -> None:
    plain = tuple(range(length))
    empty: ChunkedSequence[int] = ChunkedSequence()
    made = empty.plus_all(plain)
    assert made == ChunkedSequence(plain)
    assert tuple(made) == plain
    assert tuple(reversed(made)) == plain[::-1]
    first, last = data.draw(st.integers(-450, 450)), data.draw(st.integers(-450, 450))
    assert made[first:last] == plain[first:last]
    if length:
        at = data.draw(st.integers(0, length - 1))
        put = made.put(at, -1)
        assert tuple(put) == (*plain[:at], -1, *plain[at + 1 :])
        assert made[at] == at
        assert made[at - length] == at
        older = put.edited(lambda x: None if x == -1 else x, lambda x: at if x == -1 else x, at)
        assert tuple(older) == (*plain[:at], *plain[at + 1 :])
        assert made.latest(lambda x: x == at, lambda x: x < at) == at


def test_a_change_looks_no_further_back_than_it_must() -> None:
    looked = 0

    def number(item: int) -> int:
        nonlocal looked
        looked += 1
        return item

    made = ChunkedSequence(range(100_000))
    assert made.edited(lambda x: None if x == 99_995 else x, number, 99_990)[-5:] == (
        *range(99_994, 99_995),
        *range(99_996, 100_000),
    )
    assert MARGIN + 10 <= looked <= MARGIN + 3 * SIZE


@pytest.mark.parametrize(
    "length", [0, 63, 64, 65, SIZE**2 - 1, SIZE**2, SIZE**2 + 1, 3 * SIZE**2 + 70]
)
def test_it_does_so_where_its_blocks_end(length: int) -> None:
    plain = tuple(range(length))
    empty: ChunkedSequence[int] = ChunkedSequence()
    for made in (ChunkedSequence(plain), empty.plus_all(plain)):
        assert made == ChunkedSequence(plain)
        assert (len(made), tuple(made), tuple(reversed(made))) == (length, plain, plain[::-1])
        for count in (1, 60, SIZE):
            assert made.newest(count) == plain[-count:]
        for at in {0, SIZE - 1, SIZE, SIZE**2 - 1, SIZE**2, 2 * SIZE**2, length - 1} & set(plain):
            assert made[at] == at
            put = made.put(at, -1)
            assert tuple(put) == (*plain[:at], -1, *plain[at + 1 :])
            for last in (at, at + 1, at + SIZE, at + SIZE**2 + 1):
                assert made[at:last] == plain[at:last]
            assert tuple(_less(made, at)) == (*plain[:at], *plain[at + 1 :])


def _less(made: ChunkedSequence[int], gone: int) -> ChunkedSequence[int]:
    return made.edited(lambda x: None if x == gone else x, lambda x: x, gone)


def test_a_put_near_the_end_of_a_long_one_costs_what_it_costs_in_a_short_one() -> None:
    def bytes_of_a_put(length: int) -> int:
        made = ChunkedSequence(range(length))
        tracemalloc.start()
        put = made.put(length - 70, -1)
        grown = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        assert put[length - 70] == -1
        return grown

    assert bytes_of_a_put(1_000_000) < 3 * bytes_of_a_put(4_000)
