"""The sounds our acoustic model knows, and the numbers that Kaldi's files give them.

One place for both sides: what trains and writes the model, and what compiles decoding graphs.

The phones are the 39 of the CMU Pronouncing Dictionary without stress, and one that our model tells
apart from them: the unstressed "ee" that ends "fifty". Where "fifteen" and "fifty" share all but an
N, which a radio swallows, the vowel decides between them too. The model is a CTC
network (Graves et al., ICML 2006): one output ("pdf") for each phone and one for blank. Expressed
as a Kaldi topology, each phone has one emitting state; entering it emits the phone's pdf (the
"forward" transition), staying in it emits blank (the "self-loop"). Silence is a phone that emits
only blank.

Phones carry their position in the word (Kaldi's B, I, E and S) so that Kaldi can time words from
phones; the four positions of a phone share one pdf.
"""

from __future__ import annotations

from collections.abc import Sequence

PHONES: tuple[str, ...] = (
    *("AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G"),
    *("HH", "IH", "IY", "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH"),
    *("T", "TH", "UH", "UW", "V", "W", "Y", "Z", "ZH"),
)
"""The CMU dictionary's phones: what pronunciations are written in."""

HAPPY = "IY0"
"""The vowel that ends "happy" and "fifty", as the dictionary's own editions with stress mark it."""

UNITS: tuple[str, ...] = (*PHONES, HAPPY)
"""Phones that the network tells apart, in the order of its outputs 1 .. 40."""

BLANK_PDF = 0
"""The network's output for "nothing new": CTC's blank."""

PDFS = len(UNITS) + 1
"""Outputs of the network."""

SILENCE = "SIL"
POSITIONS = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
"""Kaldi's word positions, with the names its word_boundary.int uses."""

POSITIONED: tuple[str, ...] = (
    SILENCE,
    *(f"{unit}_{position}" for unit in UNITS for position in POSITIONS),
)
"""Every phone as Kaldi sees it, in the order of Kaldi's phone ids, which count from 1."""

_IDS = {name: number for number, name in enumerate(POSITIONED, start=1)}
_PDFS = {unit: number for number, unit in enumerate(UNITS, start=1)}


def units(word: str, pronunciation: Sequence[str]) -> tuple[str, ...]:
    """Return a word's phones as the network tells them apart: a last "IY" without stress is `HAPPY`.

    That is one in a word of several vowels, unless its spelling says otherwise ("degree").
    """
    vowels = sum(phone[0] in "AEIOU" for phone in pronunciation)
    if pronunciation[-1] == "IY" and vowels > 1 and not word.endswith("ee"):
        return (*pronunciation[:-1], HAPPY)
    return tuple(pronunciation)


def phone_id(name: str) -> int:
    """Return Kaldi's id of a positioned phone such as `AA_B` or `SIL`. Raises KeyError for another."""
    return _IDS[name]


def pdf_of(name: str) -> int:
    """Return the network output that a positioned phone emits on entry."""
    return BLANK_PDF if name == SILENCE else _PDFS[name.partition("_")[0]]


def forward_id(name: str) -> int:
    """Return the transition id of entering a positioned phone: emits `pdf_of(name)`."""
    return 2 * _IDS[name]


def self_loop_id(name: str) -> int:
    """Return the transition id of staying in a positioned phone: emits blank."""
    return 2 * _IDS[name] - 1


def positioned(pronunciation: Sequence[str]) -> tuple[str, ...]:
    """Return a word's phones with their positions: `("K", "AE", "T")` to `("K_B", "AE_I", "T_E")`."""
    if len(pronunciation) == 1:
        return (f"{pronunciation[0]}_S",)
    first, *middle, last = pronunciation
    return (f"{first}_B", *(f"{phone}_I" for phone in middle), f"{last}_E")


def word_boundary_text() -> str:
    """Return the text of Kaldi's `phones/word_boundary.int`: each phone id and its place in a word."""
    kinds = [
        "nonword" if name == SILENCE else POSITIONS[name.partition("_")[2]] for name in POSITIONED
    ]
    return "".join(f"{number} {kind}\n" for number, kind in enumerate(kinds, start=1))
