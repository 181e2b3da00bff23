"""Hears whether a person says yes to their voice being known: one of three sentences, spoken whole.

Nothing but these sentences is a yes. The quick ear is held to them, with all other speech beside them, and
must be sure of every word; where the sure ear is installed, the text it writes freely must be the same
sentence. Anything else is no yes. No sound is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, Literal

import numpy as np

from grammar.language.phrases import UNKNOWN, compile_network
from grammar.protocol.templates import Choice, parse_template
from listener.audio.blocks import Block
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.supervised_sure_ear import SureListener
from listener.recognition.vosk_recogniser import VoskRecogniser

Answer = Literal["keep", "case", "no"]

SENTENCES: Final[dict[str, Answer]] = {
    "yes keep my voice": "keep",
    "yes for this case only": "case",
    "no": "no",
}
"""In English only: for other languages an answer is typed."""
SURE: Final = 0.99
"""A word of a yes that the quick ear is less sure of makes it none."""
UNCLEAR: Final = 3
"""After so many stretches of speech that were neither yes nor no the answer is no."""
LONGEST_S: Final = 5.0
"""Longer speech is no answer."""


class ConsentEar:
    """Hears one stretch of speech as an answer. Raises UserError where no engine is to be had."""

    def __init__(self, sure: SureListener | None, *, both: bool = False) -> None:
        """`sure` is the sure ear, whatever sentences it is held to; None without. With `both` it is asked
        only where the quick ear heard an answer and was sure of it."""
        choice = Choice(tuple(parse_template(text) for text in SENTENCES))
        self._quick = VoskRecogniser.ours(compile_network(choice, {}), {})
        self._sure, self._both = sure, both

    def answer(self, sound: Samples) -> Answer | None:
        """Return the answer that a sound, shape (n,), is; None where it is none."""
        if len(sound) > LONGEST_S * SAMPLE_RATE:
            return None
        hearing = self._quick.open()
        hearing.accept(sound)
        words = hearing.finish()
        quick = SENTENCES.get(" ".join(word.text for word in words))
        sure = all(word.confidence >= SURE for word in words)
        if self._sure is None or quick == "no":
            return quick if sure or quick == "no" else None
        if self._both and not (quick and sure):
            return None
        surely = self._sure.hear(sound)
        written = SENTENCES.get(surely.free.strip()) if surely else None
        heard = any(word.text != UNKNOWN for word in words)
        if heard and quick != written:
            return None  # the quick ear heard another of the sentences, or a piece of one
        return written


def spoken_answer(
    blocks: Iterator[Block],
    ear: ConsentEar,
    typed: Callable[[], str | None],
    unclear: Callable[[], None],
    channel: int = 0,
) -> Answer | str:
    """Wait for an answer that is spoken, on a channel from 0, or typed: whichever comes first.

    `typed` gives a typed line, None before there is one; a typed answer comes back in it after a colon.
    `unclear` is told of speech that was neither. The end of the sound is a no.
    """
    segmenter, part, misses = Segmenter(), list[Samples](), 0
    for block in blocks:
        if (line := typed()) is not None:
            return f":{line}"
        samples = block.samples[:, min(channel, block.samples.shape[1] - 1)]
        for event in segmenter.push(samples):
            match event:
                case SpeechBegan(_, first):
                    part = [first]
                case SpeechWent(more):
                    part.append(more)
                case SpeechEnded() if part:
                    found = ear.answer(np.concatenate(part))
                    part = []
                    if found:
                        return found
                    misses += 1
                    unclear()
                    if misses >= UNCLEAR:
                        return "no"
                case SpeechEnded():
                    pass
    return "no"
