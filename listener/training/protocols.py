"""The shipped protocols, by their language, and what they say of pronunciation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from grammar.protocol.loading import load_protocol, shipped
from grammar.protocol.model import Protocol


def protocols_in(language: str) -> list[Protocol]:
    """Return the shipped protocols in a language."""
    every = [load_protocol(name) for name in shipped()]
    return [protocol for protocol in every if protocol.protocol.language == language]


def english_protocols() -> list[Protocol]:
    """Return the shipped protocols that our English model serves."""
    return protocols_in("en")


def pronunciations_of(protocols: Sequence[Protocol]) -> Mapping[str, Sequence[str]]:
    """Return the pronunciations of several protocols together."""
    found: dict[str, list[str]] = {}
    for protocol in protocols:
        for word, ways in protocol.pronunciations.items():
            found.setdefault(word, []).extend([ways] if isinstance(ways, str) else ways)
    return found
