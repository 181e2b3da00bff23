"""Voice activity: cuts one channel of sound into speech segments.

Each 10 ms the sound's energy in a dozen bands is compared with that band's own noise floor, the
least energy of the last three seconds (after R. Martin, "Noise power spectral density estimation
based on optimal smoothing and minimum statistics", IEEE Trans. Speech Audio Process. 9, 2001,
greatly simplified). Bands matter: speech only 5 dB above the noise in all stands out by far more in
the few bands of its formants.

A false segment costs a moment of decoding, and the recogniser hears nothing in it; a missed one
costs a call. So the thresholds lean towards segments, and each begins well before what was noticed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from listener.audio.noise_floor import FRAME, NoiseFloor, frame_energies, levels_of
from listener.audio.samples import SAMPLE_RATE, Samples

HANGOVER_S: Final = 0.7
"""Silence that ends a segment, and that its sound ends in."""


@dataclass(frozen=True, slots=True)
class VoiceActivitySettings:
    """Durations in seconds; scores in dB above the noise floor, averaged over the bands."""

    pre_roll_s: float = 0.4
    """Sound before the first noticed frame: a call may begin with an "f" or an "h" below the noise."""
    hangover_s: float = HANGOVER_S
    """Silence that ends a segment: longer than the pauses inside a call. A call that is complete
    need not wait for it, see `speech.py`."""
    tight_hangover_s: float = 0.1
    """The shortest hangover, to which it shrinks as a segment nears its greatest length."""
    tighten_s: float = 10.0
    """From this length on the hangover shrinks, so that a long monologue is cut at a breath."""
    longest_s: float = 20.0
    """A segment this long is cut wherever it is, and the next begins there."""
    begin_db: float = 3.0
    """A frame with at least this score may begin a segment."""
    keep_db: float = 2.2
    """A frame with at least this score keeps one going."""
    begin_frames: int = 6
    """Frames among the last `among_frames` that must score to begin a segment; a click has fewer."""
    keep_frames: int = 4
    """Frames among the last `among_frames` that must score to keep it going."""
    among_frames: int = 9
    fades_db: float = 30.0
    """A frame this far below the loudest of its segment is no voice, only its dying away."""


@dataclass(frozen=True, slots=True, eq=False)
class SpeechBegan:
    """Speech begins. `samples` are the first, from `t` seconds of the stream on, pre-roll included."""

    t: float
    samples: Samples


@dataclass(frozen=True, slots=True, eq=False)
class SpeechWent:
    """The next samples of the segment, which follow at once on those before."""

    samples: Samples


@dataclass(frozen=True, slots=True)
class SpeechEnded:
    """The segment ended at `t` seconds of the stream."""

    t: float


_VOICE_FRAMES, _VOICE_AMONG = 2, 4
"""Loud frames among the last few that make a voice: this reacts sooner than what keeps a segment
going."""

Event = SpeechBegan | SpeechWent | SpeechEnded


class Segmenter:
    """Cuts one channel's sound into segments of speech. No sample is in two segments."""

    def __init__(self, settings: VoiceActivitySettings | None = None) -> None:
        self.settings = settings or VoiceActivitySettings()
        self._floor = NoiseFloor()
        self._kept: Samples = np.zeros(0, dtype=np.int16)
        self._kept_from = 0
        """Sample number of `_kept[0]`."""
        self._given = 0
        """Samples before this one belong to earlier segments, or to events already given."""
        self._frames = 0
        among = self.settings.among_frames
        # Not numpy's arrays: for nine numbers, a hundred times a second, they take longer than Python.
        self._recent = deque([0.0] * among, among)
        self._began: int | None = None
        """Frame in which the current segment began; None between segments."""
        self._alive = 0
        """Last frame that kept the segment going."""
        self._loudest = -np.inf
        """The level of the loudest frame of the current segment, dB."""
        self._voice = 0
        """Last frame in which a voice was loud, and the marks of the last few."""
        self._voiced = deque([False] * _VOICE_AMONG, _VOICE_AMONG)

    def push(self, samples: Samples) -> list[Event]:
        """Take the next samples, shape (n,), any n. Returns the speech that they begin, continue or
        end."""
        self._kept = np.concatenate([self._kept, samples])
        fresh = self._kept[self._frames * FRAME - self._kept_from :]
        energies = frame_energies(fresh)
        levels = levels_of(energies)
        events = [
            event
            for score, level in zip(self._scores(energies), levels, strict=True)
            for event in self._step(float(score), float(level))
        ]
        if self._began is not None:
            events += self._went(self._frames * FRAME)
        self._forget()
        return events

    def flush(self) -> list[Event]:
        """End the sound. Returns the end of speech that was still open."""
        if self._began is None:
            return []
        self._began = None
        return [*self._went(self._length), SpeechEnded(self._length / SAMPLE_RATE)]

    @property
    def pause_s(self) -> float:
        """Seconds for which the voice of the current segment has been silent; 0 outside a segment."""
        if self._began is None:
            return 0.0
        return (self._frames - self._voice) * FRAME / SAMPLE_RATE

    @property
    def _length(self) -> int:
        return self._kept_from + len(self._kept)

    def _scores(self, energies: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far each frame stands out from the noise, dB."""
        above = energies - self._floor.follow(energies)
        # Capped, so that one band's whistle or rumble alone is not speech.
        scores: NDArray[np.float64] = np.clip(above, 0.0, 15.0).mean(axis=1)
        return scores

    def _step(self, score: float, level: float) -> Iterator[Event]:
        settings = self.settings
        self._recent.append(score)
        self._frames += 1
        self._listen(score, level)
        if self._began is None:
            scoring = [one >= settings.begin_db for one in self._recent]
            if sum(scoring) >= settings.begin_frames:
                first = self._frames - len(scoring) + scoring.index(True)
                yield self._begin(first * FRAME - round(settings.pre_roll_s * SAMPLE_RATE))
            return
        if sum(one >= settings.keep_db for one in self._recent) >= settings.keep_frames:
            self._alive = self._frames
        length = (self._frames - self._began) * FRAME / SAMPLE_RATE
        quiet = (self._frames - self._alive) * FRAME / SAMPLE_RATE
        if quiet >= self._hangover(length):
            yield from self._end()
        elif length >= settings.longest_s:
            yield from self._end()
            yield self._begin(self._given)

    def _listen(self, score: float, level: float) -> None:
        """Take note whether a voice is loud in a frame."""
        self._loudest = max(self._loudest, level)
        loud = score >= self.settings.keep_db and level >= self._loudest - self.settings.fades_db
        self._voiced.append(loud)
        if sum(self._voiced) >= _VOICE_FRAMES:
            self._voice = self._frames

    def _begin(self, sample: int) -> SpeechBegan:
        start = max(sample, self._given, self._kept_from)
        end = self._frames * FRAME
        self._began, self._alive, self._given = start // FRAME, self._frames, end
        self._voice, self._loudest = self._frames, -np.inf
        return SpeechBegan(start / SAMPLE_RATE, self._between(start, end))

    def _end(self) -> Iterator[Event]:
        end = self._frames * FRAME
        yield from self._went(end)
        self._began = None
        yield SpeechEnded(end / SAMPLE_RATE)

    def _went(self, end: int) -> list[Event]:
        start, self._given = self._given, max(end, self._given)
        return [SpeechWent(self._between(start, end))] if end > start else []

    def _hangover(self, length: float) -> float:
        settings = self.settings
        return float(
            np.interp(
                length,
                [settings.tighten_s, settings.longest_s],
                [settings.hangover_s, settings.tight_hangover_s],
            )
        )

    def _between(self, start: int, end: int) -> Samples:
        return self._kept[start - self._kept_from : end - self._kept_from].copy()

    def _forget(self) -> None:
        """Drop samples that neither a pre-roll nor a frame can need any more."""
        back = round(self.settings.pre_roll_s * SAMPLE_RATE) + self.settings.among_frames * FRAME
        needed = self._frames * FRAME - back
        drop = max(0, min(needed - self._kept_from, len(self._kept)))
        self._kept = self._kept[drop:]
        self._kept_from += drop


def level_dbfs(samples: Samples) -> float:
    """Return the root-mean-square level in dB relative to full scale; -100 for silence and for no
    samples."""
    power = float(np.mean(np.square(samples, dtype=np.float64))) if len(samples) else 0.0
    return max(-100.0, 10.0 * float(np.log10(power / 32768.0**2 + 1e-10)))
