"""A growing sequence behaves as a tuple that is never changed."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from grammar.case.persistent_sequence import PersistentSequence


@given(st.lists(st.integers()), st.integers(), st.integers())
def test_growing_leaves_earlier_selves_as_they_were(items: list[int], one: int, two: int) -> None:
    first = PersistentSequence(items)
    left, right = first.plus(one), first.plus(two)
    assert list(first) == items
    assert list(left) == [*items, one]
    assert list(right) == [*items, two]
    assert left == PersistentSequence([*items, one])
    assert (left == right) == (one == two)


@given(st.lists(st.integers(), min_size=1), st.integers(-5, 5), st.integers(-5, 5))
def test_it_is_read_like_a_tuple(items: list[int], a: int, b: int) -> None:
    grown = PersistentSequence(items).plus(0)
    plain = (*items, 0)
    assert grown[-1] == 0
    assert grown[a:b] == plain[a:b]
    assert list(reversed(grown)) == list(reversed(plain))
    assert len(grown) == len(plain)
