"""Speech to test with: synthesised by espeak-ng, or recorded by people and packaged by Debian."""

from __future__ import annotations

import gzip
import io
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
import soxr

from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from tests.support.needs import need, need_files
from tests.support.places import SAMPLES

PROMPTS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
"""Debian's asterisk-core-sounds-en-g722: one professional speaker, CC BY-SA 3.0."""
TRANSCRIPTS = Path("/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz")
SPHINX = Path("/usr/share/pocketsphinx/test/data")
"""Debian's pocketsphinx-testdata: several speakers, 16 kHz."""


def espeak(text: str, voice: str = "en-gb") -> Samples:
    """A sentence at -14 dBFS peak, with a quarter of a second of nothing before and half after."""
    need("espeak-ng")
    command = ["espeak-ng", "-v", voice, "--stdout", text]
    spoken = subprocess.run(command, check=True, capture_output=True).stdout
    sound, rate = soundfile.read(io.BytesIO(spoken), dtype="float32")
    sound = soxr.resample(sound, rate, SAMPLE_RATE)
    return with_silence((sound / np.abs(sound).max() * 0.2 * 32767).astype(np.int16))


def flite(text: str, voice: str = "slt") -> Samples:
    """A sentence in a voice built from recordings, with silence as in `espeak`."""
    need("flite")
    with tempfile.NamedTemporaryFile(suffix=".wav") as out:
        subprocess.run(["flite", "-voice", voice, "-t", text, "-o", out.name], check=True)
        sound, rate = soundfile.read(out.name, dtype="float32")
    sound = soxr.resample(sound, rate, SAMPLE_RATE)
    return with_silence((sound / np.abs(sound).max() * 0.2 * 32767).astype(np.int16))


def with_silence(samples: Samples) -> Samples:
    return np.concatenate([np.zeros(4000, np.int16), samples, np.zeros(8000, np.int16)])


def prompt(name: str) -> Samples:
    """A prompt by its name in the package, such as `digits/7`."""
    need("ffmpeg")
    path = PROMPTS / f"{name}.g722"
    need_files(path, "asterisk-core-sounds-en-g722")
    command = ["ffmpeg", "-v", "error", "-f", "g722", "-i", str(path)]
    command += ["-ar", str(SAMPLE_RATE), "-ac", "1", "-f", "s16le", "-"]
    decoded = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(decoded, np.int16)


def transcripts() -> dict[str, str]:
    """What the prompts say, by name."""
    need_files(TRANSCRIPTS, "asterisk-core-sounds-en-g722")
    with gzip.open(TRANSCRIPTS, "rt", encoding="utf-8") as lines:
        pairs = (line.strip().partition(": ") for line in lines if not line.startswith(";"))
        return {name: said for name, colon, said in pairs if colon}


def pink_noise(
    count: int, rms: float, seed: int = 0
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Noise whose power falls by 3 dB an octave."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0
    noise = np.fft.irfft(spectrum, count)
    return noise / noise.std() * rms


def in_noise(samples: Samples, snr_db: float, seed: int = 0) -> Samples:
    """Speech in pink noise; its level is measured over the whole clip, pauses included."""
    rms = float(np.std(samples)) * 10 ** (-snr_db / 20)
    mixed = samples + pink_noise(len(samples), rms, seed)
    return np.clip(mixed, -32768, 32767).astype(np.int16)


def voice(text: str, name: str = "en-gb") -> Samples:
    """Words without the silence around them."""
    sound = espeak(text, name)
    loud = np.flatnonzero(np.abs(sound) > 60)
    return sound[loud[0] : loud[-1] + 1]


def quiet(seconds: float) -> Samples:
    return np.zeros(round(seconds * SAMPLE_RATE), np.int16)


def in_a_room(*parts: Samples) -> Samples:
    """The parts in the faint hiss of a room, with a second before and after."""
    sound = np.concatenate([quiet(1.0), *parts, quiet(1.5)])
    return (sound + pink_noise(len(sound), 6.0)).astype(np.int16)


def quick_part(found: Path, begins_s: float, ends_s: float) -> Path:
    """Write the quick sample from `begins_s` to `ends_s` as `found`."""
    sound, rate = soundfile.read(SAMPLES / "quick-clip.flac", dtype="int16")
    soundfile.write(found, sound[round(begins_s * rate) : round(ends_s * rate)], rate)
    return found


def stretches(path: Path) -> list[Samples]:
    """The stretches of speech of a recording at 16 kHz, such as the sentences of a card."""
    sound, _ = soundfile.read(path, dtype="int16")
    segmenter, found, part = Segmenter(), list[Samples](), list[Samples]()
    for event in [*segmenter.push(sound), *segmenter.flush()]:
        match event:
            case SpeechBegan(_, samples) | SpeechWent(samples):
                part.append(samples)
            case SpeechEnded():
                found.append(np.concatenate(part))
                part = []
    return found
