"""pocketsphinx as an engine of quite another family: the second listener, or the only one.

It hears the same word network as vosk does. pocketsphinx reads JSGF (`grammar/language/jsgf.py` writes it),
but copies each rule to every place that mentions it: the shipped protocol grows from 650 states to
70,000, takes 17 s to load and decodes at 19 times the audio's length. So the network is handed over
as it stands, as the finite-state grammar that pocketsphinx turns JSGF into anyway.

A grammar alone accepts everything. So the same audio is also decoded as free phones, and where those
are too unlike the phones of the grammar's best sentence, the words become `[unk]`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from rapidfuzz.distance import Indel

from grammar.language.phrases import UNKNOWN
from grammar.language.word_network import Network
from grammar.language.words import Word
from listener.audio.dither import Dither
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.calibration import Calibration
from listener.recognition.lexicon import Lexicon, build_lexicon
from listener.recognition.phones import PHONES

if TYPE_CHECKING:
    import pocketsphinx

_FRAME_S = 0.01
_PIECE = SAMPLE_RATE // 10
_GRAMMAR, _PHONES = "grammar", "phones"


@dataclass(frozen=True, slots=True)
class SphinxSettings:
    """The price of another sentence, and when to disbelieve one."""

    another: float = 0.01
    """Probability of one more sentence after the first, in the same segment."""
    least_likeness: float = 0.4
    """Similarity of the sentence's phones and the freely decoded ones, 0 to 1, below which the
    words become `[unk]`."""


class SphinxRecogniser:
    """A loaded pocketsphinx and the network it hears.

    Each open segment needs a decoder of its own; they are kept for the next segment, so there are
    as many as channels that speak at once.
    """

    name = "pocketsphinx, its US English model"
    calibration: Calibration | None = None

    def __init__(
        self,
        network: Network,
        pronunciations: Mapping[str, Sequence[str]],
        settings: SphinxSettings | None = None,
    ) -> None:
        """`pronunciations` are the protocol's own, see `build_lexicon`. Raises UserError for a word
        that cannot be pronounced."""
        self.settings = settings or SphinxSettings()
        self._network = network
        self._lexicon = build_lexicon(network.words, pronunciations)
        self._dither = Dither()
        first = self._decoder()
        self._mean = str(first.get_cmn(False))
        self._idle = [first]

    def open(self) -> SphinxHearing:
        """Begin a speech segment."""
        decoder = self._idle.pop() if self._idle else self._decoder()
        # The running mean of the last segment would make hearing depend on what came before.
        decoder.set_cmn(self._mean)
        dither = self._dither.fresh()
        return SphinxHearing(
            decoder, lexicon=self._lexicon, dither=dither, settings=self.settings, idle=self._idle
        )

    def _decoder(self) -> pocketsphinx.Decoder:
        """pocketsphinx with the grammar and, for comparison, free phones."""
        import pocketsphinx  # noqa: PLC0415  (an engine only if used)

        with TemporaryDirectory(prefix="answerback-") as folder:
            dictionary = Path(folder) / "words.dict"
            # Only our words: the whole dictionary costs 40 MB and half a second.
            dictionary.write_text(dictionary_text(self._lexicon), encoding="utf-8")
            decoder = pocketsphinx.Decoder(
                dict=str(dictionary),
                lm=None,
                loglevel="FATAL",
                # Narrower than its own 7e-29, at which the lattice of ten seconds of chatter takes
                # nine seconds to search; calls are heard as well.
                wbeam=1e-10,
                samprate=SAMPLE_RATE,
            )
        end = len(self._network.arcs)
        start = self._network.start
        grammar = decoder.create_fsg(_GRAMMAR, start, end, list(self._transitions(end)))
        decoder.add_fsg(_GRAMMAR, grammar)
        phones = pocketsphinx.get_model_path("en-us/en-us-phone.lm.bin")
        decoder.add_allphone_file(_PHONES, phones)
        return decoder

    def _transitions(
        self, end: int
    ) -> Iterator[tuple[int, int, float] | tuple[int, int, float, str]]:
        """Yield the network as (from, to, probability, word), sentences in a loop through `end`."""
        for state, row in enumerate(self._network.arcs):
            choices = len(row) + (state in self._network.finals)
            for word, to in row:
                yield state, to, 1 / choices, word
            if state in self._network.finals:
                yield state, end, 1 / choices
        yield end, self._network.start, self.settings.another


class SphinxHearing:
    """One speech segment on its way through pocketsphinx."""

    alternatives = ()

    def __init__(
        self,
        decoder: pocketsphinx.Decoder,
        *,
        lexicon: Lexicon,
        dither: Dither,
        settings: SphinxSettings,
        idle: list[pocketsphinx.Decoder],
    ) -> None:
        self._decoder = decoder
        self._lexicon = lexicon
        self._dither = dither
        self._settings = settings
        self._idle = idle
        self._sound: list[bytes] = []
        self._length_s = 0.0
        decoder.activate_search(_GRAMMAR)
        decoder.start_utt()

    def accept(self, samples: Samples) -> None:
        """Feed the next samples, shape (n,)."""
        sound = self._dither.add(samples)
        # pocketsphinx crashes when fed many seconds at once.
        for start in range(0, len(sound), _PIECE):
            self._sound.append(sound[start : start + _PIECE].tobytes())
            self._decoder.process_raw(self._sound[-1], False, False)
        self._length_s += len(samples) / SAMPLE_RATE

    def partial(self) -> str:
        """Return the words so far, as they may still change."""
        best = self._decoder.hyp()
        return best.hypstr if best else ""

    def finish(self) -> tuple[Word, ...]:
        """End the segment: its words. Call once."""
        so_far = self.partial()
        self._decoder.end_utt()
        words = self._words()
        if so_far and not words:
            words = (Word(UNKNOWN, 0.0, self._length_s),)
        elif words:
            words = self._believed(words)
        self._idle.append(self._decoder)
        return words

    def _believed(self, words: tuple[Word, ...]) -> tuple[Word, ...]:
        """Return the words, or `[unk]` where the free phones are too unlike."""
        if self.likeness(words) < self._settings.least_likeness:
            return (Word(UNKNOWN, words[0].start, words[-1].end),)
        return words

    def likeness(self, words: Sequence[Word]) -> float:
        """Return how alike the phones of `words` and those freely heard are: 1 for the same, 0 for none."""
        said = [phone for word in words for phone in self._lexicon[word.text][0]]
        return float(Indel.normalized_similarity(said, self._free_phones()))

    def _free_phones(self) -> list[str]:
        """Return the segment's most likely phones, whatever the grammar says."""
        self._decoder.activate_search(_PHONES)
        self._decoder.start_utt()
        for piece in self._sound:
            self._decoder.process_raw(piece, False, False)
        self._decoder.end_utt()
        return [seg.word for seg in self._decoder.seg() or () if seg.word in PHONES]

    def _words(self) -> tuple[Word, ...]:
        """Return the best sentence's words; none where the decoder reached no end of a sentence.

        `seg.prob` is the word's posterior in the decoder's lattice.
        """
        if not self._sound or self._decoder.hyp() is None:
            return ()
        named = ((_without_variant(seg.word), seg) for seg in self._decoder.seg() or ())
        return tuple(
            Word(
                text=word,
                start=round(seg.start_frame * _FRAME_S, 3),
                end=round((seg.end_frame + 1) * _FRAME_S, 3),
                confidence=min(1.0, max(0.0, seg.prob)),
            )
            for word, seg in named
            if word in self._lexicon
        )


def dictionary_text(lexicon: Lexicon) -> str:
    """Return a lexicon as a Sphinx dictionary: further ways to say a word are written `word(2)`."""
    return "".join(
        f"{word if number == 1 else f'{word}({number})'} {' '.join(way)}\n"
        for word, ways in lexicon.items()
        for number, way in enumerate(ways, start=1)
    )


def _without_variant(word: str) -> str:
    return word.partition("(")[0]
