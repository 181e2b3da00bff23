"""Figures in large digits, three or five rows high; words beside them stay small."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

from rich.segment import Segment
from rich.style import Style
from textual.renderables.digits import Digits

_BLOCKS: Mapping[str, str] = MappingProxyType(
    {
        "0": "███ █ █ █ █ █ █ ███",
        "1": "  █   █   █   █   █",
        "2": "███   █ ███ █   ███",
        "3": "███   █ ███   █ ███",
        "4": "█ █ █ █ ███   █   █",
        "5": "███ █   ███   █ ███",
        "6": "███ █   ███ █ █ ███",
        "7": "███   █   █   █   █",
        "8": "███ █ █ ███ █ █ ███",
        "9": "███ █ █ ███   █ ███",
        ":": "     █       █     ",
        ".": "                 █ ",
        "/": "  █   █  █  █   █  ",
        "-": "        ███        ",
        "?": "███   █  ██      █ ",
    }
)
"""Five rows of three cells for each sign, parted by blanks."""
_ROWS = 5
_QUESTION = ["╺━┓", " ┏┛", " ╹ "]
"""The sign of doubt in three rows, as `Digits` has none."""


@lru_cache(64)
def largest(text: str) -> list[str]:
    """Return the five rows of a text: its numbers in blocks, other words small on the last row."""
    rows = [""] * _ROWS
    for at, word in enumerate(text.split(" ")):
        known = bool(word) and all(sign in _BLOCKS for sign in word)
        blank = [" " * len(word)] * (_ROWS - 1)
        drawn = _in_blocks(word) if known else [*blank, word]
        gap = "  " if at else ""
        rows = [row + gap + part for row, part in zip(rows, drawn, strict=True)]
    return rows


def _in_blocks(word: str) -> list[str]:
    signs = [_BLOCKS[sign].ljust(_ROWS * 4 - 1) for sign in word]
    return [
        "  ".join("".join(2 * cell for cell in sign[4 * row : 4 * row + 3]) for sign in signs)
        for row in range(_ROWS)
    ]


@lru_cache(64)
def large(text: str) -> list[str]:
    """Return the three rows of a text: its numbers large, other words small on the last row."""
    rows = ["", "", ""]
    for at, word in enumerate(text.split(" ")):
        gap = " " if at else ""
        if word == "?":
            drawn = _QUESTION
        else:
            numbers = any(c.isdigit() for c in word)
            drawn = _digits(word) if numbers else [" " * len(word)] * 2 + [word]
        rows = [row + gap + part for row, part in zip(rows, drawn, strict=True)]
    return rows


def _digits(word: str) -> list[str]:
    drawn = Digits(word).render(Style(bold=True))
    lines = Segment.split_lines(piece for piece in drawn if isinstance(piece, Segment))
    return ["".join(segment.text for segment in row) for row in lines]
