"""Every ear that is installed hears the same cards, so that the best for a team listens.

The quick ear may be our network, pocketsphinx, or a published vosk model of the language; the sure ear is
there or not. Only sentences of good sound count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from grammar.errors import UserError
from grammar.language.parse import understanding_of
from grammar.language.phrases import network
from grammar.protocol.model import Protocol
from listener.audio.samples import Samples
from listener.confidence.judging_two_ears import same_meaning
from listener.recognition.engines import choose
from listener.recognition.installed_models import installed_models
from listener.recognition.recogniser import Recogniser, heard_words

CLEARLY: Final = 2
"""Sentences by which another quick ear must be better than the usual one to take its place."""
ASIDE: Final = 3
"""Each third sentence of a card is kept aside to compare ears on: nothing is fitted to it."""
SURE: Final = "sure ear"


@dataclass(frozen=True, slots=True, kw_only=True)
class EarScore:
    """An ear on cards: how many of their sentences it understood."""

    name: str
    """In words; `sure ear`, or a quick ear."""
    recogniser: str
    """As `engines.choose` takes it; empty for the sure ear."""
    model: str
    """The folder of a published model; empty for none."""
    right: int
    of: int


class QuickEars:
    """The quick ears of this machine for one protocol, the usual one first, each loaded when wanted."""

    def __init__(self, protocol: Protocol, usual: Recogniser) -> None:
        self._protocol = protocol
        self._read = understanding_of(protocol).read
        self._options = list(_options(protocol.protocol.language))
        self._loaded: dict[int, Recogniser | None] = {0: usual}

    def scores(self, said: Sequence[tuple[str, Samples]]) -> list[EarScore]:
        """Return what each understood of sentences, (words, sound). One that cannot be loaded is left
        out."""
        found = []
        for at, (recogniser, model) in enumerate(self._options):
            ear = self._ear(at)
            if ear is None:
                continue
            right = sum(self._understood(ear, words, sound) for words, sound in said)
            found.append(
                EarScore(
                    name=ear.name, recogniser=recogniser, model=model, right=right, of=len(said)
                )
            )
        return found

    def _ear(self, at: int) -> Recogniser | None:
        if at not in self._loaded:
            recogniser, model = self._options[at]
            protocol = self._protocol
            try:
                self._loaded[at] = choose(
                    recogniser,
                    network(protocol),
                    protocol.pronunciations,
                    model_dir=Path(model) if model else None,
                    language=protocol.protocol.language,
                )
            except UserError:  # such as a word that its dictionary lacks
                self._loaded[at] = None
        return self._loaded[at]

    def _understood(self, ear: Recogniser, words: str, sound: Samples) -> bool:
        return same_meaning(self._read, heard_words(ear, sound), words.split())


def _options(language: str) -> Iterable[tuple[str, str]]:
    """Yield engines and folders of models: first the usual one."""
    yield "auto", ""
    published = [model for model in installed_models() if model.language == language]
    if language == "en" and published:
        yield "vosk", ""  # ours, where the usual one may be a published model
    if language == "en" and find_spec("pocketsphinx") and find_spec("vosk"):
        yield "pocketsphinx", ""
    for model in published:
        yield "vosk", str(model.folder)


def together(scores: Iterable[Sequence[EarScore]]) -> list[EarScore]:
    """Return the scores of many cards added up, by ear; an ear that not every card was heard by is left
    out."""
    cards = [{(one.recogniser, one.model): one for one in each} for each in scores]
    if not cards:
        return []
    return [
        EarScore(
            name=one.name,
            recogniser=one.recogniser,
            model=one.model,
            right=sum(card[key].right for card in cards),
            of=sum(card[key].of for card in cards),
        )
        for key, one in cards[0].items()
        if all(key in card for card in cards)
    ]


def best_quick(scores: Sequence[EarScore]) -> EarScore | None:
    """Return the quick ear that understood most: the first, the usual one, unless another is clearly
    better."""
    quick = [one for one in scores if one.recogniser]
    if not quick:
        return None
    best = max(quick, key=lambda one: one.right)
    return best if best.right >= quick[0].right + CLEARLY else quick[0]


def table(scores: Sequence[EarScore]) -> str:
    """Return the comparison in a line, such as `vosk, our English model 57, sure ear 64 of 65`."""
    if not scores:
        return "not compared"
    return f"{', '.join(f'{one.name} {one.right}' for one in scores)} of {scores[0].of} sentences"
