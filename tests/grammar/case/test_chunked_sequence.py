"""The chunked sequence is a tuple in all but its costs."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from grammar.case.chunked_sequence import MARGIN, ChunkedSequence


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
        older = put.edited(lambda x: None if x == -1 else x, lambda x: -1 < x < at)
        assert tuple(older) == (*plain[:at], *plain[at + 1 :])
        assert made.latest(lambda x: x == at, lambda x: x < at) == at


def test_a_change_looks_no_further_back_than_it_must() -> None:
    looked = 0

    def older(item: int) -> bool:
        nonlocal looked
        looked += 1
        return item < 99_990

    made = ChunkedSequence(range(100_000))
    assert made.edited(lambda x: None if x == 99_995 else x, older)[-5:] == (
        *range(99_994, 99_995),
        *range(99_996, 100_000),
    )
    assert looked == MARGIN + 10
