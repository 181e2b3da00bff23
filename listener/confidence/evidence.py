"""How sure an utterance is, as a probability that its call and slots are right.

It is made of the evidence here: what the decoder, the filler and the second listener say.
`listener.recognition.calibration` weighs it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from grammar.language.phrases import UNKNOWN
from grammar.language.words import Word
from listener.confidence.competing_sentences import Read, leads
from listener.confidence.verifier import Opinion
from listener.recognition.calibration import Calibration, Evidence
from listener.recognition.n_best import Alternative

_SUREST = 0.995
_FRAME_S = 0.03


def evidence(
    words: Sequence[Word],
    alternatives: Sequence[Alternative],
    segment_s: float,
    opinion: Opinion | None,
    read: Read,
) -> Evidence:
    """Return the evidence for and against an utterance of a segment `segment_s` seconds long. Names
    and values:

    `weakest`, `mean`: log-odds of the least sure word, and of the words' mean confidence;
    `words`: the logarithm of their count; `fit`: the sentence's score, nats a frame of 30 ms;
    `lead`: over the best rival with another drug, number or unit, nats; `apart`: likewise over the best
    that means anything else, or nothing;
    `noise`: share of the segment's time that was heard as filler; `second`: how the second listener
    sees it, from -1 to 1, 0 where it was not asked or cannot tell; `against`: 1 where it disagrees.
    """
    sure = [word.confidence for word in words if word.text != UNKNOWN] or [0.0]
    best = max(alternatives, key=lambda each: each.score, default=None)
    fit = best.score / max(segment_s / _FRAME_S, 1.0) if best else 0.0
    filler = sum(w.end - w.start for w in best.words if w.text == UNKNOWN) if best else 0.0
    ahead = leads(words, alternatives, read)
    found = {
        "weakest": _log_odds(min(sure)),
        "mean": _log_odds(sum(sure) / len(sure)),
        "words": math.log(len(sure)),
        "fit": fit,
        "lead": ahead.at_stake,
        "apart": ahead.any,
        "noise": filler / max(segment_s, 0.1),
        "second": math.tanh(opinion.margin / 0.05) if opinion else 0.0,
        "against": float(opinion is not None and not opinion.agrees),
    }
    return {name: round(value, 4) for name, value in found.items()}


def told_confidence(
    calibration: Calibration,
    words: Sequence[Word],
    alternatives: Sequence[Alternative],
    segment_s: float,
    read: Read,
) -> float | None:
    """Return how sure the quick ear is, by itself, of an utterance, 0 to 1; None where it is so unsure that
    it is told as speech that was not understood.
    """
    sure = calibration.confidence(evidence(words, alternatives, segment_s, None, read))
    return round(sure, 4) if sure >= calibration.least else None


def _log_odds(share: float) -> float:
    bounded = min(max(share, 1 - _SUREST), _SUREST)
    return math.log(bounded / (1 - bounded))
