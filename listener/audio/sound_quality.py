"""Measures the sound of a set-up: level, clipping, noise floor, signal-to-noise ratio.

It needs one recording of people who speak with pauses between, and works in frames of 20 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from listener.audio.samples import SAMPLE_RATE, Samples

_FRAME: Final = SAMPLE_RATE // 50
_FULL: Final = 32768.0
_CLIPPED: Final = 32700
"""A sample this far out stands at the converter's end."""
_QUIETEST: Final = 0.15
"""Share of the frames that is taken for noise: speech with pauses leaves more than that silent (after
R. Martin's minimum statistics, IEEE Trans. Speech Audio Process. 9, 2001, greatly simplified)."""
_STANDS_OUT: Final = 2.0
"""A frame with this much more power than the noise is speech: 3 dB."""


@dataclass(frozen=True, slots=True)
class SoundCheck:
    """The measured quality of a sound. Levels are root mean square, in dB relative to full scale (dBFS, a
    full-scale square wave is 0).
    """

    level_dbfs: float
    """Speech alone, its noise taken off, over the frames in which somebody speaks (the active speech
    level of ITU-T P.56, with a threshold 3 dB over the noise in place of its own)."""
    noise_dbfs: float
    """The mean of the quietest 15 in 100 frames."""
    peak_dbfs: float
    """The greatest sample."""
    clipped_share: float
    """Share of the samples in which somebody speaks that stand at the end of the range."""

    @property
    def snr_db(self) -> float:
        """Signal-to-noise ratio, 10 log10 of the powers' ratio: level less noise, dB."""
        return self.level_dbfs - self.noise_dbfs


def sound_check(samples: Samples) -> SoundCheck:
    """Measure one channel, shape (n,), int16. Less than a fifth of a second counts as silence."""
    count = len(samples) // _FRAME
    if count < 10:
        return SoundCheck(-100.0, -100.0, -100.0, 0.0)
    frames = samples[: count * _FRAME].reshape(count, _FRAME).astype(np.float64)
    power = np.mean(frames**2, axis=1) / _FULL**2
    noise = float(np.sort(power)[: max(1, round(_QUIETEST * count))].mean())
    speaking = power > _STANDS_OUT * noise + 1e-10
    spoken = max(float(power[speaking].mean()) - noise, 0.0) if speaking.any() else 0.0
    loud = np.abs(frames[speaking]) >= _CLIPPED
    peak = float(np.abs(frames).max()) / _FULL
    return SoundCheck(
        level_dbfs=_db(spoken),
        noise_dbfs=_db(noise),
        peak_dbfs=_db(peak**2),
        clipped_share=float(loud.mean()) if loud.size else 0.0,
    )


def _db(power: float) -> float:
    return round(10.0 * float(np.log10(max(power, 1e-10))), 1)


def advice(check: SoundCheck) -> list[str]:
    """Return sentences on what to do about it, most pressing first; none where all is well.

    The limits are common practice, no source. Of signal-to-noise ratios `answerback bench` measures 5 and
    10 dB (a fan, where much is lost), 20 (a radio) and 25 (a mask), none between.
    """
    if check.level_dbfs <= -75.0:
        return ["no speech came: is the right input chosen, and is the microphone on?"]
    found = []
    if check.clipped_share > 0.0005:
        found.append("the sound is clipped: turn the gain down, or hold the microphone further off")
    elif check.peak_dbfs > -1.0:
        found.append("the sound is near clipping: turn the gain down a little")
    if check.level_dbfs < -42.0:
        found.append("speech is faint: come closer to the microphone, or turn the gain up")
    if check.snr_db < 10.0:
        found.append("speech hardly stands out of the noise: come closer, or quieten the room")
    elif check.snr_db < 20.0:
        found.append("the room is noisy: come closer if you can")
    return found
