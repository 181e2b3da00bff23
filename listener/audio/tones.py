"""Sounds for a leader whose hands are not free: one for each thing that wants attention, and speech.

Made by code and quiet: no sample is ever above `PEAK`, however loud a caller's own sound.
"""

from __future__ import annotations

import io
import shutil
import subprocess
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from grammar.errors import UserError
from listener.audio.samples import Samples
from listener.audio.voice_activity import level_dbfs

Kind = Literal["timer-done", "nobody-answered", "read-back-differs"]
Floats = npt.NDArray[np.float32]

RATE: Final = 16_000
PEAK: Final = 0.25
"""Greatest sample, as a share of full scale: 12 dB below it. The volume is set at the loudspeaker."""

HIGH, MIDDLE, LOW = 1320.0, 880.0, 587.0
"""Hz. Pure tones, so that a voice beside them can be told (`voice_beside`)."""

_FADE_S: Final = 0.01
"""Length of the fade without which a tone begins and ends in a click, seconds."""
_PAUSE: Final = (0.0, 0.08)

# (Hz, seconds): told apart by their course, not by pitch alone.
_COURSE: dict[Kind, tuple[tuple[float, float], ...]] = {
    "timer-done": ((MIDDLE, 0.18), _PAUSE, (HIGH, 0.3)),
    "nobody-answered": ((LOW, 0.12), _PAUSE, (LOW, 0.12), _PAUSE, (LOW, 0.12)),
    "read-back-differs": ((HIGH, 0.14), (LOW, 0.14), (HIGH, 0.14), (LOW, 0.14)),
}


def tone(kind: Kind) -> Floats:
    """Return the sound for one kind of thing, mono at `RATE`, under a second."""
    return np.concatenate([_sine(hertz, seconds) for hertz, seconds in _COURSE[kind]])


def _sine(hertz: float, seconds: float) -> Floats:
    t = np.arange(round(seconds * RATE)) / RATE
    fade = np.minimum(1.0, np.minimum(t, t[::-1]) / _FADE_S)
    wave: Floats = (PEAK * fade * np.sin(2 * np.pi * hertz * t)).astype(np.float32)
    return wave


def spoken(text: str) -> Floats:
    """Return the text as espeak-ng says it, mono at `RATE`. Raises UserError where it is not
    installed."""
    program = shutil.which("espeak-ng")
    if program is None:
        raise UserError("spoken prompts need the program espeak-ng: install the package espeak-ng")
    try:
        done = subprocess.run(
            [program, "-v", "en", "--stdin", "--stdout"],
            input=text.encode(),
            capture_output=True,
            timeout=10,
            check=True,
        )
        sound, rate = soundfile.read(io.BytesIO(done.stdout), dtype="float32")
    except (OSError, subprocess.SubprocessError, soundfile.LibsndfileError):
        raise UserError("espeak-ng could not say a prompt") from None
    return limited(soxr.resample(sound, rate, RATE))


def limited(sound: Floats) -> Floats:
    """Return the sound, made quieter as a whole where it is above `PEAK`."""
    loudest = float(np.abs(sound).max(initial=0.0))
    quieter: Floats = (sound * (PEAK / loudest)).astype(np.float32) if loudest > PEAK else sound
    return quieter


def voice_beside(samples: Samples, floor_dbfs: float) -> bool:
    """Return whether somebody speaks while one of our tones plays: much sound where no tone has
    any.

    `samples` are one channel, at least 50 ms; `floor_dbfs` is how loud the same band was in the pause
    before. A tone that begins or ends leaves some of itself beside it, through a sound card up to 27 dB
    below its own level.
    """
    least = max(floor_dbfs + 12.0, -55.0, level_dbfs(samples) - 20.0)
    return beside_dbfs(samples) > least


def beside_dbfs(samples: Samples) -> float:
    """Return the level, dB relative to full scale, between 300 and 3400 Hz without our tones and
    overtones."""
    if len(samples) < RATE // 20:
        return -100.0
    window, kept = _window_and_bins(len(samples))
    spectrum = np.fft.rfft(samples / 32768.0 * window)
    power = 2 * float((np.abs(spectrum[kept]) ** 2).sum()) / (len(samples) * (window**2).sum())
    return 10 * float(np.log10(power + 1e-10))


@lru_cache(8)
def _window_and_bins(length: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Return the window for so many samples, and which bins of their spectrum lie in the band and beside
    our tones and overtones. Blocks are of a few lengths only.
    """
    hertz = np.fft.rfftfreq(length, 1 / RATE)
    kept = (hertz > 300) & (hertz < 3400)
    for base in (HIGH, MIDDLE, LOW):
        for overtone in range(1, 6):
            kept &= np.abs(hertz - base * overtone) > 90
    return np.hanning(length), kept
