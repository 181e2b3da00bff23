"""How words sound: the CMU Pronouncing Dictionary, and what a protocol adds to it.

The dictionary is the one that the pocketsphinx package carries with its US English model
(`cmudict-en-us.dict`). It is Copyright (C) 1993-2015 Carnegie Mellon University, all rights
reserved, and may be used and redistributed under a two-clause BSD licence that asks to keep this
notice; it is read from that package and not copied into this one. The package's own licence file
lies beside it (`pocketsphinx-*.dist-info/licenses/LICENSE`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from grammar.errors import UserError
from listener.recognition.phones import PHONES

Pronunciation = tuple[str, ...]
"""Phones without stress, such as `("K", "AE", "T")`."""

Lexicon = Mapping[str, tuple[Pronunciation, ...]]
"""Each word with all the ways to say it, at least one."""


SUPPLEMENT: Lexicon = {
    "nought": (("N", "AO", "T"),),
    "fower": (("F", "OW", "ER"),),
    "mics": (("M", "AY", "K", "S"),),
}
"""Words of `grammar/numbers` that the dictionary lacks: no protocol brings them, so none can add them.
As the dictionary's "naught"; as ICAO Annex 10 Volume II, 5.2.1.4.3, has it; as its "mikes"."""


def dictionary_path() -> Path:
    """Return where the pocketsphinx package keeps its US English dictionary."""
    import pocketsphinx  # noqa: PLC0415  (costs 50 ms, not needed where a lexicon is given)

    return Path(pocketsphinx.get_model_path("en-us/cmudict-en-us.dict"))


def build_lexicon(words: Iterable[str], extra: Mapping[str, Sequence[str]]) -> Lexicon:
    """Return the pronunciations of `words`.

    `extra` holds a protocol's own pronunciations, each a string of phones (`"K EH T AH M IY N"`);
    where it has a word, its list replaces the dictionary's. Raises UserError naming every word that
    neither knows, or a phone that does not exist.
    """
    wanted = frozenset(words)
    own = {word: _parsed(word, says) for word, says in extra.items() if word in wanted}
    found = own | _known(wanted - own.keys())
    missing = sorted(wanted - found.keys())
    if missing:
        raise UserError(
            f"No pronunciation is known for {_listed(missing)}: add it to the protocol's "
            "[pronunciations], as phones of the CMU dictionary."
        )
    return {word: found[word] for word in sorted(found)}


def without_pronunciation(words: Iterable[str], extra: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the words, sorted, that neither `extra` nor the dictionary can pronounce."""
    wanted = frozenset(words) - extra.keys()
    return sorted(wanted - _known(wanted).keys())


def _parsed(word: str, says: Sequence[str]) -> tuple[Pronunciation, ...]:
    """Return a protocol's pronunciations of one word as phones, each once."""
    ways = [tuple(phone.rstrip("012") for phone in way.upper().split()) for way in says]
    wrong = sorted({phone for way in ways for phone in way} - set(PHONES))
    if wrong:
        raise UserError(
            f"The pronunciation of “{word}” uses {_listed(wrong)}, which the CMU dictionary does "
            f"not have; its phones are {' '.join(PHONES)}."
        )
    if not ways or not all(ways):
        raise UserError(f"The pronunciation of “{word}” is empty: give its phones or remove it.")
    return tuple(dict.fromkeys(ways))


def _known(words: frozenset[str]) -> dict[str, tuple[Pronunciation, ...]]:
    """Return those of `words` that the dictionary, or else the number grammar's supplement, has."""
    own = {word: ways for word, ways in SUPPLEMENT.items() if word in words}
    return own | _from_dictionary(words)


def _from_dictionary(words: frozenset[str]) -> dict[str, tuple[Pronunciation, ...]]:
    """Return those of `words` that the dictionary has; its further variants are written `word(2)`."""
    found: dict[str, list[Pronunciation]] = {}
    with dictionary_path().open(encoding="utf-8") as lines:
        for line in lines:
            entry, _, phones = line.partition(" ")
            word = entry.partition("(")[0]
            if word in words:
                way = tuple(phone.rstrip("012") for phone in phones.split())
                ways = found.setdefault(word, [])
                if way not in ways:
                    ways.append(way)
    return {word: tuple(ways) for word, ways in found.items()}


def _listed(words: Sequence[str]) -> str:
    return ", ".join(f"“{word}”" for word in words)
