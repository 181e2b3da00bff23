"""Shares the rows of a column among the panels that stand in it."""

from __future__ import annotations

from collections.abc import Sequence


def share(rows: int, wanted: Sequence[int], least: Sequence[int]) -> list[int]:
    """Return rows for each panel, in order: first what each needs at `least`, then one by one what it
    wants.

    Earlier panels are served first. Where even the least does not fit, later panels get nothing.
    """
    given = [0] * len(wanted)
    free = rows
    for index, need in enumerate(least):
        given[index] = min(need, wanted[index], free)
        free -= given[index]
    while free > 0:
        hungry = [i for i, want in enumerate(wanted) if given[i] < want]
        if not hungry:
            break
        for index in hungry[:free]:
            given[index] += 1
        free -= len(hungry[:free])
    return given
