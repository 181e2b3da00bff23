"""Gives the phones of a spoken text: the dictionary's, in the variant that the synthesiser used.

Labels are the dictionary's phones, as the decoding graph's words are. Where a word has several
pronunciations the one nearest to espeak-ng's own reading is taken; and a text that espeak-ng reads
quite otherwise than the dictionary (an abbreviation, an odd name) is not worth training on.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from listener.recognition.lexicon import Lexicon, Pronunciation
from listener.recognition.phones import PHONES, units

# espeak-ng's IPA for English to CMU phones; the longest sign that fits is taken first.
_IPA: Mapping[str, str] = {
    "tʃ": "CH", "dʒ": "JH", "aɪ": "AY", "aʊ": "AW", "eɪ": "EY", "oʊ": "OW", "əʊ": "OW",
    "ɔɪ": "OY", "ɑː": "AA", "ɔː": "AO", "iː": "IY", "uː": "UW", "ɜː": "ER", "ɚ": "ER",
    "ɝ": "ER", "əl": "AH L", "ɪə": "IH R", "iə": "IY AH", "eə": "EH R", "ʊə": "UH R",
    "aɪə": "AY ER", "oːɹ": "AO R", "oː": "AO", "ɐ": "AH", "ə": "AH", "ʌ": "AH", "æ": "AE",
    "a": "AE", "ɛ": "EH", "e": "EH", "ɪ": "IH", "i": "IY", "ᵻ": "IH", "ɒ": "AA", "ɑ": "AA",
    "ɔ": "AO", "o": "OW", "ʊ": "UH", "u": "UW", "b": "B", "d": "D", "ð": "DH", "f": "F",
    "ɡ": "G", "h": "HH", "j": "Y", "k": "K", "l": "L", "m": "M", "n": "N", "ŋ": "NG", "p": "P",
    "ɹ": "R", "r": "R", "s": "S", "ʃ": "SH", "t": "T", "ɾ": "T", "ʔ": "T", "θ": "TH", "v": "V",
    "w": "W", "z": "Z", "ʒ": "ZH",
}  # fmt: skip
# Confusions of accent rather than of reading cost half: vowels among each other, a dropped R.
_VOWELS = frozenset(phone for phone in PHONES if phone[0] in "AEIOU")


def phones_of_ipa(ipa: str) -> list[str]:
    """Return espeak-ng's IPA as CMU phones, roughly; unknown signs (stress, length) are passed over."""
    signs = unicodedata.normalize("NFC", ipa)
    phones: list[str] = []
    at = 0
    while at < len(signs):
        for length in (3, 2, 1):
            phone = _IPA.get(signs[at : at + length])
            if phone and at + length <= len(signs):
                phones += phone.split()
                at += length
                break
        else:
            at += 1
    return phones


def best_phones(
    words: Iterable[str], lexicon: Lexicon, heard: Sequence[str]
) -> tuple[list[str], float]:
    """Return the text's units in the variants nearest to `heard`, and how far they are, per phone.

    The distance is 0 for the same phones and about 1 for unrelated ones. Raises KeyError for a
    word that the lexicon lacks.
    """
    row: list[tuple[float, tuple[Pronunciation, ...]]] = [
        (float(column), ()) for column in range(len(heard) + 1)
    ]
    said = list(words)
    for word in said:
        options = [_through(row, variant, heard) for variant in lexicon[word]]
        row = [min(column, key=lambda cell: cell[0]) for column in zip(*options, strict=True)]
    cost, chosen = row[-1]
    phones = [
        unit for word, variant in zip(said, chosen, strict=True) for unit in units(word, variant)
    ]
    return phones, cost / max(len(phones), 1)


def _through(
    row: list[tuple[float, tuple[Pronunciation, ...]]], variant: Pronunciation, heard: Sequence[str]
) -> list[tuple[float, tuple[Pronunciation, ...]]]:
    """Return the edit distance one word further on, and note the variant that was chosen."""
    cells = list(row)
    for phone in variant:
        gap = 0.5 if phone == "R" else 1.0
        fresh = [(cells[0][0] + gap, cells[0][1])]
        for column, other in enumerate(heard, start=1):
            fresh.append(
                min(
                    (cells[column - 1][0] + _apart(phone, other), cells[column - 1][1]),
                    (cells[column][0] + gap, cells[column][1]),
                    (fresh[-1][0] + 1.0, fresh[-1][1]),
                    key=lambda cell: cell[0],
                )
            )
        cells = fresh
    return [(cost, (*chosen, variant)) for cost, chosen in cells]


def _apart(one: str, other: str) -> float:
    if one == other:
        return 0.0
    return 0.5 if one in _VOWELS and other in _VOWELS else 1.0
