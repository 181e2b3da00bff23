"""Prints of recordings of known speakers under the conditions of the bench: to fit on, and to judge by."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.conditions import active_span, applied
from listener.bench.known_speakers import Recording
from listener.team.speaker_attribution import AROUND_S
from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.speaker_encoder.encoder import Voiceprint

Cut = Literal["whole", "call", "word"]
"""All of it, a second or two, or less than a second: as long as an order, or as "copy"."""

LENGTHS_S: Mapping[Cut, tuple[float, float]] = {"call": (1.0, 2.0), "word": (0.4, 0.9)}

_NONE = np.zeros(0, np.float32)
_AROUND = round(AROUND_S * SAMPLE_RATE)
_AT_ONCE = 32
"""Recordings whose prints are made at once."""

CARD = 10
"""Recordings that stand for the card; of a speaker with few, all but four."""

MOST = 15
"""Recordings of a speaker at most: ten for the card, the rest to be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpokenPrint:
    """The print of a piece of a recording, or of a part cut out of it."""

    speaker: str
    file: str
    cut: Cut
    seconds: float
    print: Voiceprint


def spoken_prints(
    speakers: Mapping[str, Sequence[Recording]], condition: str, progress: Callable[[str], None]
) -> list[SpokenPrint]:
    """Return the prints of every piece, whole and cut shorter, in the order of speakers and files."""
    encoder, found = SpeakerEncoder(), []
    jobs = [
        (one, at < CARD and len(each) >= CARD + 4)
        for each in speakers.values()
        for at, one in enumerate(each[:MOST])
    ]
    for first in range(0, len(jobs), _AT_ONCE):
        pieces = [
            each
            for one, whole in jobs[first : first + _AT_ONCE]
            for each in _pieces(one, condition, whole)
        ]
        prints = encoder.prints_of([sound for _, sound in pieces])
        found += [
            replace(each, print=made)
            for (each, _), made in zip(pieces, prints, strict=True)
            if made is not None
        ]
        progress(f"{condition}: {min(first + _AT_ONCE, len(jobs))} of {len(jobs)} recordings")
    return found


def _pieces(
    recording: Recording, condition: str, whole: bool
) -> Iterator[tuple[SpokenPrint, Samples]]:
    """Yield the pieces of a recording as they sound, of one of the card only `whole` ones, each with what
    is known of it before it has a print.
    """
    name = recording.path.name
    seed = zlib.crc32(name.encode())
    for number, piece in enumerate(recording.pieces()):
        heard = applied(condition, piece.astype(np.float64) / 32768, seed + number)
        chance = np.random.default_rng([seed, number])
        # The words of a short call do not lie in the silence around them.
        first, last = active_span(piece.astype(np.float64))
        spoken_s = (last - first) / SAMPLE_RATE
        yield (
            SpokenPrint(
                speaker=recording.speaker, file=name, cut="whole", seconds=spoken_s, print=_NONE
            ),
            heard,
        )
        for cut, lengths in () if whole else LENGTHS_S.items():
            length = int(chance.uniform(*lengths) * SAMPLE_RATE)
            at = first + int(chance.integers(0, max(1, last - first - length)))
            around = heard[max(0, at - _AROUND) : at + length + _AROUND]
            seconds = min(length / SAMPLE_RATE, spoken_s)
            yield (
                SpokenPrint(
                    speaker=recording.speaker, file=name, cut=cut, seconds=seconds, print=_NONE
                ),
                around,
            )


def by_speaker(prints: Sequence[SpokenPrint]) -> dict[str, list[SpokenPrint]]:
    """Return them by speaker."""
    found: dict[str, list[SpokenPrint]] = {}
    for one in prints:
        found.setdefault(one.speaker, []).append(one)
    return found


def card_and_rest(prints: Sequence[SpokenPrint]) -> tuple[list[SpokenPrint], list[SpokenPrint]]:
    """Return one speaker's whole sentences of the card, and what is to be told: other recordings. Either
    may be empty, of a speaker with too few."""
    files = sorted({one.file for one in prints})
    count = min(CARD, len(files) - 4)
    if count < 4:
        return [], list(prints)
    card = set(files[:count])
    return (
        [one for one in prints if one.file in card and one.cut == "whole"],
        [one for one in prints if one.file not in card],
    )
