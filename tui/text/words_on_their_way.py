"""The words that are being spoken, without those that are told already. Pure functions."""

from __future__ import annotations

from collections.abc import Sequence


def not_told_yet(words: str, told: Sequence[Sequence[str]]) -> str:
    """Return the words on their way after the last of those that stand in the log already.

    One stretch of sound may hold the calls of several people, each told at its own pause: `told` are the
    words of each as it was told: longer perhaps than they came so far. Words that were told otherwise stay.
    """
    spoken = words.split()
    after = 0
    for each in told:
        if spoken and list(each[: len(spoken)]) == spoken:
            return ""
        if each and (end := _end_of(each, spoken)) is not None:
            after = max(after, end)
    return " ".join(spoken[after:])


def _end_of(part: Sequence[str], whole: Sequence[str]) -> int | None:
    """Return where a part ends in the whole, counted in words; None where it is not in it."""
    length = len(part)
    ends = (at + length for at in range(len(whole) - length + 1))
    return next((end for end in ends if list(whole[end - length : end]) == list(part)), None)
