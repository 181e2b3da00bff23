"""Speaks the scripts beside it: a FLAC and its truth for each.

    python sample_audio_synthetic/make.py [NAME ...]

Needs answerback with its extra `train` and the gathered voices (`python -m listener.training
voices`). The same scripts, voices and seeds give the same clips. Spoken lines are kept in a folder of
the system's temporary files, so that a second run takes seconds.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from grammar.protocol.loading import load_protocol
from listener.bench.conditions import butterworth
from listener.training.voices import RATE, speak
from sample_audio_synthetic.script import Line, Script, read_script
from sample_audio_synthetic.truth import Placed, truth_toml

Samples = npt.NDArray[np.float32]

HERE = Path(__file__).parent
LEVEL_DBFS = -25.0
"""Speech while somebody speaks; each line lies up to 1.5 dB beside it, as people do."""
TONE_DBFS = -60.0
FLOOR_DBFS = -84.0
"""The hiss under the room tone. Faint, since what cannot be predicted is what fills a FLAC."""
TAIL_S = 4.0
FRAME = RATE // 100


def spoken(text: str, speaker: str, cache: Path) -> Samples:
    """The text in this voice, from the cache or the synthesiser."""
    key = hashlib.sha256(f"{speaker}\n{text}".encode()).hexdigest()[:24]
    path = cache / f"{key}.npy"
    if not path.exists():
        partial = path.with_suffix(".part.npy")
        np.save(partial, speak(text, speaker))
        partial.replace(path)
    found: Samples = np.load(path)
    return found


def with_a_cold(sound: Samples) -> Samples:
    """The voice a semitone and a quarter lower, and dull above 1.8 kHz."""
    from python_stretch import Signalsmith  # noqa: PLC0415

    stretch = Signalsmith.Stretch()
    stretch.preset(1, RATE)
    stretch.setTransposeSemitones(-1.25)
    lower = stretch.process(sound[np.newaxis])[0]
    return butterworth(lower.astype(np.float64), 2, None, 1800.0).astype(np.float32)


def voiced(sound: Samples) -> tuple[int, int, float]:
    """First and last sample of the voice, and its RMS: frames within 35 dB of the loudest."""
    frames = sound[: len(sound) // FRAME * FRAME].reshape(-1, FRAME)
    power = np.mean(frames.astype(np.float64) ** 2, axis=1)
    loud = np.flatnonzero(power > power.max() * 10**-3.5)
    return int(loud[0] * FRAME), int((loud[-1] + 1) * FRAME), float(np.sqrt(power[loud].mean()))


def room_tone(samples: int, rng: np.random.Generator) -> Samples:
    """A room's rumble, falling by 12 dB an octave above 150 Hz, over a faint hiss."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    hertz = np.fft.rfftfreq(samples, 1 / RATE)
    rumble = np.fft.irfft(spectrum / (1 + (hertz / 150) ** 2), samples)
    rumble *= 10 ** (TONE_DBFS / 20) / rumble.std()
    hiss = rng.standard_normal(samples) * 10 ** (FLOOR_DBFS / 20)
    return (rumble + hiss).astype(np.float32)


def quiet_before(line: Line, rng: np.random.Generator) -> float:
    """Seconds: a breath before an answer, longer before anything else."""
    breath, longer = rng.uniform(0.35, 0.75), rng.uniform(1.4, 2.2)
    if line.pause is not None:
        return line.pause
    return breath if line.role in ("read-back", "acknowledgement", "proword") else longer


def placed(
    script: Script, cache: Path, rng: np.random.Generator
) -> Iterator[tuple[Placed, int, Samples]]:
    """Every line with its times, the sample where its sound is laid, and the sound at its level."""
    ends: dict[str, float] = {}
    end_s = 0.0
    for line in script.lines:
        sound = spoken(line.sounds or line.say, script.voice[line.sender], cache)
        if line.cold:
            sound = with_a_cold(sound)
        first, last, rms = voiced(sound)
        onset_s = end_s + quiet_before(line, rng)
        if line.since is not None and line.wait is not None:
            onset_s = max(onset_s, ends[line.since] + line.wait)
        at = max(0, round(onset_s * RATE) - first)
        t, end_s = (at + first) / RATE, (at + last) / RATE
        if line.id is not None:
            ends[line.id] = end_s
        gain = 10 ** ((LEVEL_DBFS + rng.uniform(-1.5, 1.5)) / 20) / rms
        yield Placed(line, round(t, 3), round(end_s, 3)), at, sound * np.float32(gain)


def make(name: str, cache: Path) -> None:
    """One clip and its truth, from NAME.script.toml."""
    script = read_script(HERE / f"{name}.script.toml")
    rng = np.random.default_rng(script.seed)
    laid = list(placed(script, cache, rng))
    clip = room_tone(round((laid[-1][0].until + TAIL_S) * RATE), rng)
    for _, at, sound in laid:
        clip[at : at + len(sound)] += sound
    whole = np.round(np.clip(clip, -1, 1) * 32767).astype(np.int16)
    soundfile.write(HERE / f"{name}.flac", whole, RATE, subtype="PCM_16")
    lines = [line for line, _, _ in laid]
    text = truth_toml(load_protocol(script.protocol), script, lines, len(whole) / RATE)
    (HERE / f"{name}.toml").write_text(text, encoding="utf-8")
    size = (HERE / f"{name}.flac").stat().st_size
    peak = 20 * np.log10(np.abs(clip).max())
    print(
        f"{name}: {len(lines)} lines, {len(whole) / RATE:.1f} s, {size / 1e6:.2f} MB,"
        f" peak {peak:.1f} dBFS"
    )


def main() -> None:
    """Make the named clips, or all."""
    known = sorted(path.name.removesuffix(".script.toml") for path in HERE.glob("*.script.toml"))
    parser = argparse.ArgumentParser(description="Speak the sample drills.")
    parser.add_argument("name", nargs="*", help=f"{', '.join(known)}; all, if left out")
    names = parser.parse_args().name or known
    unknown = sorted(set(names) - set(known))
    if unknown:
        parser.error(f"there is no script for {', '.join(unknown)}: use {', '.join(known)}")
    cache = Path(tempfile.gettempdir()) / "answerback-spoken-lines"
    cache.mkdir(exist_ok=True)
    for name in names:
        make(name, cache)


if __name__ == "__main__":
    main()
