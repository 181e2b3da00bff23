"""The five conditions in which hearing is scored, applied to clean clips; the same seed, the same sound.

| name | what it does |
|---|---|
| clean | faint dither |
| mask | 2nd-order Butterworth low-pass at 2.2 kHz, pink noise 25 dB below the speech |
| radio | 4th-order Butterworth band-pass 350 to 3300 Hz, tanh with drive 3 on the clip at peak 1, |
|       | white noise 20 dB below, and in one clip of ten the first 150 ms of speech are lost |
| fan10, fan5 | pink noise 10 and 5 dB below the speech |

"The speech" is the level of the part that is active: frames within 30 dB of the loudest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.float64]
RATE = 16000
DITHER = 1.0 / 32768  # rms, one step of 16 bits
DRIVE = 3.0
CLIPPED_S, CLIPPED_SHARE = 0.150, 0.1
_FRAME = RATE // 50


def active_level(sound: Sound) -> float:
    """Return the root mean square of the frames of 20 ms that are within 30 dB of the
    loudest; 0 for none.
    """
    power = _frame_power(sound)
    if not len(power):
        return float(np.sqrt(np.mean(sound**2))) if len(sound) else 0.0
    return float(np.sqrt(power[power >= power.max() * 1e-3].mean()))


def active_span(sound: npt.NDArray[np.floating]) -> tuple[int, int]:
    """Return the first sample of the first active frame of a clean clip, and the end of the last one."""
    power = _frame_power(np.asarray(sound, np.float64))
    active = np.flatnonzero(power >= max(float(power.max(initial=0.0)) * 1e-3, 1e-12))
    if not len(active):
        return 0, len(sound)
    return int(active[0]) * _FRAME, (int(active[-1]) + 1) * _FRAME


def _frame_power(sound: Sound) -> Sound:
    count = len(sound) // _FRAME
    return np.asarray((sound[: count * _FRAME].reshape(count, _FRAME) ** 2).mean(1))


def pink_noise(count: int, rng: np.random.Generator) -> Sound:
    """Return noise whose power falls as 1/f from 20 Hz up, rms 1, shape (count,)."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE)
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 20.0)), count)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), np.float64)


def butterworth(sound: Sound, order: int, low_hz: float | None, high_hz: float) -> Sound:
    """Return a digital Butterworth low-pass, or band-pass where `low_hz` is given.

    The response of the bilinear transform of the analogue prototype, poles exp(i pi (2k + n - 1)
    / 2n), applied by FFT over the padded clip, which agrees with running the filter (scipy's
    `butter` and `sosfilt`, to which a test holds it). `order` is the prototype's, as in scipy.
    """
    count = len(sound) + RATE  # the filter has died away within the second of padding
    turn = np.tan(np.pi * np.fft.rfftfreq(count))
    high = np.tan(np.pi * high_hz / RATE)
    if low_hz is None:
        at = 1j * turn / high
    else:
        low = np.tan(np.pi * low_hz / RATE)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = 1j * (turn**2 - low * high) / (turn * (high - low))
    angles = np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order)
    with np.errstate(invalid="ignore", over="ignore"):
        response = 1 / np.prod([at - np.exp(1j * angle) for angle in angles], axis=0)
    response = np.nan_to_num(response)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, count) * response, count)[: len(sound)])


def _noisy(sound: Sound, noise: Sound, below_db: float) -> Sound:
    return sound + noise * active_level(sound) * 10 ** (-below_db / 20)


def _clean(sound: Sound, rng: np.random.Generator) -> Sound:
    return sound + rng.standard_normal(len(sound)) * DITHER


def _mask(sound: Sound, rng: np.random.Generator) -> Sound:
    return _noisy(butterworth(sound, 2, None, 2200), pink_noise(len(sound), rng), 25)


def _radio(sound: Sound, rng: np.random.Generator) -> Sound:
    band = butterworth(sound, 4, 350, 3300)
    heard = np.tanh(DRIVE * band / max(float(np.abs(band).max()), 1e-9))
    if rng.random() < CLIPPED_SHARE:
        # The radio opens too late: silenced, not cut out, so that the truth's times stay true.
        first, _ = active_span(sound)
        heard[: first + round(CLIPPED_S * RATE)] = 0.0
    heard = _noisy(heard, rng.standard_normal(len(heard)), 20)
    return np.asarray(heard * 0.5)


def _fan(below_db: float) -> Callable[[Sound, np.random.Generator], Sound]:
    return lambda sound, rng: _noisy(sound, pink_noise(len(sound), rng), below_db)


CONDITIONS: Mapping[str, Callable[[Sound, np.random.Generator], Sound]] = {
    "clean": _clean,
    "mask": _mask,
    "radio": _radio,
    "fan10": _fan(10),
    "fan5": _fan(5),
}


def applied(name: str, sound: npt.NDArray[np.floating], seed: int) -> npt.NDArray[np.int16]:
    """Return a clean clip (mono, 16 kHz, in [-1, 1]) under a condition, as 16-bit samples.

    The clip's peak comes to 0.5 first. `seed` belongs to the clip, so that it sounds the same in
    every run. Raises KeyError for an unknown condition.
    """
    rng = np.random.default_rng([seed, sorted(CONDITIONS).index(name)])
    peak = max(float(np.abs(sound).max(initial=0.0)), 1e-9)
    heard = CONDITIONS[name](np.asarray(sound, np.float64) * (0.5 / peak), rng)
    return np.clip(np.rint(heard * 32767), -32768, 32767).astype(np.int16)


KITCHEN = "kitchen"
"""`kitchen6` and `kitchen12`: a recording of real noise beside the clips, so many dB below the speech."""

KITCHEN_DB: Mapping[str, float] = {"kitchen12": 12.0, "kitchen6": 6.0}
_LOUDEST = 2048


def in_kitchen(
    name: str,
    sound: npt.NDArray[np.floating],
    noise: npt.NDArray[np.floating],
    seed: int,
) -> npt.NDArray[np.int16]:
    """Return a clean clip in recorded noise, mixed as the Speech-to-Intent Benchmark does.

    The noise, from a random place, is scaled so that the loudest 2,048-sample frame of the speech lies
    so many dB above the loudest of the noise; the peak of both is then 0.5. Raises KeyError for an
    unknown condition.
    """
    rng = np.random.default_rng([seed, round(KITCHEN_DB[name])])
    long = np.asarray(noise, np.float64)
    if len(long) <= len(sound):
        long = np.tile(long, len(sound) // len(long) + 2)
    at = int(rng.integers(0, len(long) - len(sound)))
    part = long[at : at + len(sound)]
    ratio = 10 ** (KITCHEN_DB[name] / 10)
    mixed = sound + np.sqrt(_loudest(sound) / max(_loudest(part) * ratio, 1e-12)) * part
    peak = max(float(np.abs(mixed).max(initial=0.0)), 1e-9)
    return np.asarray(np.rint(mixed * (0.5 / peak) * 32767), np.int16)


def _loudest(sound: npt.NDArray[np.floating]) -> float:
    """Return the energy of the loudest frame."""
    whole = sound[: len(sound) // _LOUDEST * _LOUDEST].reshape(-1, _LOUDEST)
    return float((whole**2).sum(1).max(initial=0.0))
