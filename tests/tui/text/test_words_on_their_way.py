"""The strip of words on their way shows the present speaker's words only."""

from __future__ import annotations

import pytest

from tui.text.words_on_their_way import not_told_yet

CALL = ("anteroom", "how", "do", "you", "read")


@pytest.mark.parametrize(
    ("words", "told", "left"),
    [
        ("anteroom how do", [], "anteroom how do"),
        ("anteroom how do you read", [CALL], ""),
        ("anteroom how do you read i read", [CALL], "i read"),
        ("anteroom how do you read i read you copy", [CALL, ("i", "read", "you")], "copy"),
        ("anteroom how do you", [CALL], ""),
        ("timer three", [CALL], "timer three"),
        ("copy", [()], "copy"),
    ],
)
def test_words_that_are_told_are_not_on_their_way(
    words: str, told: list[tuple[str, ...]], left: str
) -> None:
    assert not_told_yet(words, told) == left
