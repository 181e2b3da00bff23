"""Chooses an engine and its model, ours or a published one, and loads it with a grammar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path

from grammar.errors import UserError
from grammar.language.word_network import Network
from listener.recognition.installed_models import installed_models, model_for
from listener.recognition.published_graph import exact_words
from listener.recognition.recogniser import Recogniser


def choose(
    name: str,
    network: Network,
    pronunciations: Mapping[str, Sequence[str]],
    *,
    model_dir: Path | None = None,
    language: str = "en",
    fitted: bytes | None = None,
) -> Recogniser:
    """Return the recogniser a user asked for: `auto`, `vosk` or `pocketsphinx`. `fitted` is our own model
    as it was fitted to a team, in place of the one that ships.

    `auto` is vosk, or pocketsphinx where vosk has no build for the machine. vosk takes the published model
    in `model_dir`; without one, our own model for English, and for other languages the first installed one.
    `auto` prefers an installed English one to ours, as it was trained on people, if it knows every word of
    the network: others it would leave out. Raises UserError where no such engine, model or pronunciation is
    to be had.
    """
    if name == "auto":
        name = "vosk" if find_spec("vosk") else "pocketsphinx"
        if name == "vosk" and model_dir is None and language == "en" and fitted is None:
            model_dir = _knowing_all(network)
    if name == "pocketsphinx":
        return _pocketsphinx(network, pronunciations, model_dir, language)
    if name != "vosk":
        raise UserError(f"There is no recogniser “{name}”: it is auto, vosk or pocketsphinx.")
    from listener.recognition.vosk_recogniser import VoskRecogniser  # noqa: PLC0415  (an engine only if used)

    if model_dir is not None:
        return VoskRecogniser.published(model_dir, network)
    if language == "en":
        return VoskRecogniser.ours(network, pronunciations, fitted=fitted)
    found = model_for(language)
    if found is None:
        raise UserError(
            f"No model for the language “{language}” is installed: install the package "
            f"vosk-model-{language}, or give the folder of a published vosk model with --model."
        )
    return VoskRecogniser.published(found.folder, network)


def _knowing_all(network: Network) -> Path | None:
    """Return the folder of the first installed English model that can be held to the network, every word of
    it.
    """
    for model in installed_models():
        if model.language == "en":
            known = exact_words(model.folder)
            if known is not None and network.words <= known.keys():
                return model.folder
    return None


def _pocketsphinx(
    network: Network,
    pronunciations: Mapping[str, Sequence[str]],
    model_dir: Path | None,
    language: str,
) -> Recogniser:
    from listener.recognition.sphinx_recogniser import SphinxRecogniser  # noqa: PLC0415

    if language != "en":
        raise UserError(f"pocketsphinx hears English only; use vosk for the language “{language}”.")
    if model_dir is not None:
        raise UserError("A model folder goes with vosk; pocketsphinx uses the one in its package.")
    return SphinxRecogniser(network, pronunciations)
