"""vosk as the listener: our own model with the exact grammar, or a published model with phrases."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Final

from grammar.errors import UserError
from grammar.language.phrases import UNKNOWN
from grammar.language.word_network import Network
from grammar.language.words import Word
from listener.audio.dither import Dither
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.calibration import Calibration, of_published, shipped
from listener.recognition.decoding_graph import GraphPrices, compile_graph
from listener.recognition.installed_models import is_model
from listener.recognition.kaldi_files import SearchSettings, model_folder
from listener.recognition.lexicon import build_lexicon
from listener.recognition.n_best import Alternative, from_vosk, with_confidence
from listener.recognition.phrase_list import phrase_list
from listener.recognition.published_graph import exact_words, grammar_of, with_grammar
from listener.recognition.vosk_library import vosk_library

if TYPE_CHECKING:
    import vosk


OUR_MODEL: Final = "vosk, our English model"
"""Its name as a recogniser."""
SHIPPED_MODEL: Final = files("listener.recognition").joinpath("acoustic_model", "final.mdl")
FITTED_MODEL: Final = f"{OUR_MODEL} fitted to the team"


@dataclass(frozen=True, slots=True)
class VoskSettings:
    """How alternatives become confidence."""

    alternatives: int = 20
    """Sentences asked of the decoder: those that mean the same should hide no rival."""
    sharpness: float = 1.0
    """See `alternatives.with_confidence`."""
    onset_s: float = 0.05
    """A CTC network fires inside a phone, not at its edge: words begin this much before."""


class VoskRecogniser:
    """A loaded vosk model and what it may hear. Make one with `ours` or `published`."""

    def __init__(
        self,
        name: str,
        model: vosk.Model,
        phrases: str | None,
        settings: VoskSettings,
        *,
        calibration: Calibration | None = None,
    ) -> None:
        self.name = name
        self.calibration = calibration
        self.settings = settings
        self._model = model
        self._phrases = phrases
        self._dither = Dither()

    @classmethod
    def ours(
        cls,
        network: Network,
        pronunciations: Mapping[str, Sequence[str]],
        *,
        prices: GraphPrices | None = None,
        search: SearchSettings | None = None,
        settings: VoskSettings | None = None,
        final_mdl: Path | None = None,
        fitted: bytes | None = None,
    ) -> VoskRecogniser:
        """Return the model that ships with answerback (or `final_mdl`, or one fitted to a team), hearing
        exactly `network`.

        `pronunciations` are the protocol's own, see `build_lexicon`. Raises UserError for a word that
        cannot be pronounced.
        """
        graph = compile_graph(network, build_lexicon(network.words, pronunciations), prices)
        with (
            as_file(SHIPPED_MODEL) as ships_path,
            model_folder(
                fitted or final_mdl or ships_path, graph, search or SearchSettings()
            ) as folder,
        ):
            model = _load(folder)
        own = settings or VoskSettings()
        name = FITTED_MODEL if fitted else OUR_MODEL
        return cls(name, model, None, own, calibration=shipped())

    @classmethod
    def published(
        cls, folder: Path, network: Network, settings: VoskSettings | None = None
    ) -> VoskRecogniser:
        """Return a published vosk model: it hears exactly `network` where its grammar can be replaced (see
        `published_graph.py`), else it is biased to the network's word pairs, in any order.

        Words that the model does not know are left out; `model_lacks` names them. Raises UserError
        where `folder` is no vosk model or knows none of the words.
        """
        name, own = f"vosk, {model_name(folder)}", settings or VoskSettings(onset_s=0.0)
        known = exact_words(folder)
        if known is not None:
            _knows_some(folder, bool(network.words & known.keys()))
            with with_grammar(folder, grammar_of(network, known)) as copy:
                fitted = of_published(model_name(folder))
                return cls(name, _load(copy), None, own, calibration=fitted)
        model = open_model(folder)
        unknown = frozenset(unknown_words(model, network.words))
        _knows_some(folder, not network.words <= unknown)
        phrases = phrase_list(network, leave_out=unknown)
        if knows(model, UNKNOWN):
            phrases.append(UNKNOWN)
        return cls(name, model, json.dumps(phrases, ensure_ascii=False), own)

    def open(self) -> VoskHearing:
        """Begin a speech segment."""
        return VoskHearing(self._recogniser(), self._dither.fresh(), self.settings)

    def _recogniser(self) -> vosk.KaldiRecognizer:
        vosk = vosk_library()

        if self._phrases is None:
            recogniser = vosk.KaldiRecognizer(self._model, SAMPLE_RATE)
        else:
            recogniser = vosk.KaldiRecognizer(self._model, SAMPLE_RATE, self._phrases)
        recogniser.SetWords(True)
        recogniser.SetMaxAlternatives(self.settings.alternatives)
        return recogniser


class VoskHearing:
    """One speech segment on its way through vosk."""

    def __init__(
        self, recogniser: vosk.KaldiRecognizer, dither: Dither, settings: VoskSettings
    ) -> None:
        self._recogniser = recogniser
        self._dither = dither
        self._settings = settings
        self._done: list[Word] = []
        self.alternatives: tuple[Alternative, ...] = ()
        """The sentences that the decoder held possible in what it ended last, best first."""

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        if self._recogniser.AcceptWaveform(self._dither.add(samples).tobytes()):
            # Only published models end an utterance by themselves, at a long pause.
            self._done.extend(self._words(self._recogniser.Result()))

    def partial(self) -> str:
        """Return the words so far, as they may still change."""
        heard = str(json.loads(self._recogniser.PartialResult()).get("partial", ""))
        return " ".join([*(word.text for word in self._done), *heard.split()])

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words. Call once."""
        self._done.extend(self._words(self._recogniser.FinalResult()))
        return tuple(self._done)

    def _words(self, answer: str) -> list[Word]:
        self.alternatives = from_vosk(answer)
        words = with_confidence(self.alternatives, self._settings.sharpness)
        earliest = self._done[-1].end if self._done else 0.0
        timed = []
        for word in words:
            start = max(earliest, word.start - self._settings.onset_s)
            end = max(start, word.end)
            timed.append(Word(word.text, round(start, 3), round(end, 3), word.confidence))
            earliest = end
        return timed


def open_model(folder: Path) -> vosk.Model:
    """Return a vosk model from its folder. Raises UserError where the folder is none."""
    if not folder.is_dir():
        raise UserError(f"There is no model folder {folder}.")
    if not is_model(folder):
        raise UserError(
            f"{folder} is no vosk model: it holds no am/final.mdl. Give the folder that was "
            "unpacked from a model's archive."
        )
    return _load(folder)


def _knows_some(folder: Path, some: bool) -> None:
    if not some:
        raise UserError(
            f"The model in {folder} knows none of the protocol's words: is it of another language?"
        )


def model_lacks(folder: Path, words: frozenset[str]) -> list[str]:
    """Return the words, sorted, that the published model in `folder` does not know. Raises UserError."""
    known = exact_words(folder)
    if known is not None:
        return sorted(words - known.keys())
    return unknown_words(open_model(folder), words)


def unknown_words(model: vosk.Model, words: frozenset[str]) -> list[str]:
    """Return the words, sorted, that a published model does not know."""
    return sorted(word for word in words if not knows(model, word))


def knows(model: vosk.Model, word: str) -> bool:
    """Return whether a model's vocabulary has a word."""
    return int(model.vosk_model_find_word(word)) >= 0


def model_name(folder: Path) -> str:
    """Return a model's name as people know it: the folder's, or its package's where that says more."""
    resolved = folder.resolve()
    return resolved.parent.name if resolved.name == "model" else resolved.name


def _load(folder: Path) -> vosk.Model:
    vosk = vosk_library()

    vosk.SetLogLevel(-1)  # Kaldi's log would bury our own diagnostics
    try:
        return vosk.Model(str(folder))
    except Exception as error:  # vosk raises bare Exceptions
        raise UserError(f"vosk cannot load the model in {folder}: it is incomplete.") from error
