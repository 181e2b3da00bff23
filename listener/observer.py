"""Whoever is told what happens in a case that is heard: a screen, or a printer of JSON lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol as Interface

from grammar.case.facts import Fact
from grammar.case.view import Utterance


class Observer(Interface):
    """Told, from the hearing thread, what happens. Must return quickly."""

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """Take note of a fact that is stored and folded, and of the utterance that it became, if any."""

    def speaking(self, channel: int, words: str) -> None:
        """Take note of the words so far of someone who is still speaking; "" once they have ended."""

    def block(self, _t: float, levels_dbfs: Sequence[float]) -> None:
        """Take note that sound up to `_t` seconds has been heard; `levels_dbfs` are of each channel."""
