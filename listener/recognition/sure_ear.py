"""The sure ear: a transcriber trained on people (Whisper), held to the sentences of one protocol."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import numpy as np

from grammar.errors import UserError
from grammar.language.numbers import language as numbers_of
from grammar.language.typed_text import spoken
from grammar.language.word_network import Network
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.grammar_beam import GrammarBeam, Marks, Sentence, never
from listener.recognition.helping_thread import HelpingThread
from listener.recognition.panelled_matrix import Array
from listener.recognition.token_paths import TokenPaths
from listener.recognition.weight_additions import Additions, read_additions
from listener.recognition.whisper_decoder import WhisperDecoder
from listener.recognition.whisper_files import write_encoder

if TYPE_CHECKING:
    import ctranslate2

KEPT: Final = 24
"""Sentences that are told of a sound."""

LONGEST_S: Final = 28.0
"""Whisper hears no more than 30 s at once."""

SILENCE_S, SHORT_S, WINDOW_S = 1.0, 3.0, 10.0
"""Silence put behind a sound. One shorter than `SHORT_S` gets as much as makes it `WINDOW_S` long: in
shorter windows the free text says a single word twice or more, and the word itself seems unlikely."""
_FRAME: Final = SAMPLE_RATE // 50
"""Samples of one frame of the encoding."""
HEAD_SIZE: Final = 64
"""Of every published Whisper."""


@dataclass(frozen=True, slots=True)
class SureHearing:
    """The sentences that the sure ear held possible in one sound, and what it would write freely."""

    sentences: tuple[Sentence, ...]
    """Sentences of the protocol, best first."""
    free: str
    """The text that it would write freely."""
    free_nats: float
    free_tokens: int
    length_s: float
    no_speech: float
    """The logarithm of the probability that nobody speaks in it."""


class SureEar:
    """A loaded model with the sentences of one protocol. Not for several threads at once."""

    def __init__(self, folder: Path, network: Network, language: str, threads: int = 1) -> None:
        """Raises UserError where the library or the model is not to be had."""
        try:
            import ctranslate2  # noqa: F401, PLC0415  (the extra `people`)
            import tokenizers  # noqa: PLC0415
            from faster_whisper.feature_extractor import FeatureExtractor  # noqa: PLC0415
            from faster_whisper.tokenizer import Tokenizer  # noqa: PLC0415
        except ImportError as error:
            raise UserError(
                f"The sure ear needs the extra “people” (pip install '.[people]'): {error}."
            ) from None
        self.name = f"Whisper {folder.name}, held to the protocol"
        try:
            spelled = tokenizers.Tokenizer.from_file(str(folder / "tokenizer.json"))
            self._encoder, additions = _encoder(folder, language, threads)
        except Exception as error:  # both libraries raise bare ones
            raise UserError(
                f"The sure ear's model in {folder} cannot be loaded: {error}."
            ) from None
        self._features = FeatureExtractor()
        self._numbers = numbers_of(language)
        self._tokens = Tokenizer(spelled, True, task="transcribe", language=language)
        width = json.loads((folder / "config.json").read_text(encoding="utf-8")).get("d_model")
        heads = (width or 512) // HEAD_SIZE
        decoder = WhisperDecoder(folder / "model.bin", heads, additions)
        marks = Marks(self._token(","), self._token("."), self._tokens.eot, self._tokens.no_speech)
        if threads > 1:
            decoder.share(HelpingThread())
        self._decoder = decoder
        self._beam = GrammarBeam(decoder, TokenPaths(network, self._tokens.encode), marks)
        self._begins = (*self._tokens.sot_sequence, self._tokens.no_timestamps)

    def hear(self, samples: Samples) -> SureHearing | None:
        """Return the sentences that fit a sound, shape (n,); None where it is too long to be a sentence."""
        return self.hear_unless(samples, never)

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        """Hear as `hear` does; None, soon, once `unwanted` says that nobody wants it."""
        length_s = len(samples) / SAMPLE_RATE
        if unwanted() or not 0 < length_s <= LONGEST_S:
            return None
        sound = self._decoder.attended(self._encoded(samples))
        found = self._beam.hear(sound, self._begins, unwanted)
        if found is None:
            return None
        sentences, free = found
        return SureHearing(
            tuple(sentences[:KEPT]),
            spoken(self._numbers, self._tokens.decode(list(free.tokens))),
            free.nats,
            len(free.tokens),
            length_s,
            free.no_speech,
        )

    def _encoded(self, samples: Samples) -> Array:
        import ctranslate2  # noqa: PLC0415

        length_s = len(samples) / SAMPLE_RATE
        wanted = WINDOW_S if length_s < SHORT_S else length_s + SILENCE_S
        count = int(wanted * SAMPLE_RATE) // _FRAME * _FRAME
        sound = np.zeros(count, np.float32)
        sound[: len(samples)] = samples.astype(np.float32) / 32768
        mel = np.ascontiguousarray(self._features(sound)[None, :, : count // (_FRAME // 2)])
        encoded = self._encoder.encode(ctranslate2.StorageView.from_array(mel), to_cpu=True)
        return np.asarray(np.array(encoded)[0], np.float32)

    def _token(self, text: str) -> int:
        return int(self._tokens.encode(text)[0])


def _encoder(
    folder: Path, language: str, threads: int
) -> tuple[ctranslate2.models.Whisper, Additions | None]:
    """Return the model's encoder in CTranslate2, and what has to be added to the decoder as it was to it.

    CTranslate2's own decoder, which is run in numpy here, would take 47 MB more.
    """
    import ctranslate2  # noqa: PLC0415

    def load(place: Path) -> ctranslate2.models.Whisper:
        return ctranslate2.models.Whisper(
            str(place), device="cpu", compute_type="int8", intra_threads=threads
        )

    additions = read_additions(folder.name, language)
    try:
        with TemporaryDirectory(prefix="answerback-") as alone:
            write_encoder(folder / "model.bin", Path(alone) / "model.bin", additions)
            for name in ("config.json", "vocabulary.json"):
                if (folder / name).exists():
                    shutil.copyfile(folder / name, Path(alone) / name)
            return load(Path(alone)), additions
    except (OSError, RuntimeError):
        # No room for a file, or a library that insists on the decoder: the whole model as it was published.
        return load(folder), None
