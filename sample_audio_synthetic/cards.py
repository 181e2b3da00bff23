"""Speaks the card of each station of the English drills, in its voice: `card-STATION.flac`.

    python sample_audio_synthetic/cards.py [STATION ...]

Needs what `make.py` needs. Each sentence of the card (`grammar/advice/reading_card.py`) is followed by a
pause, in which a person would read the next.
"""

from __future__ import annotations

import sys
import tempfile
import zlib
from pathlib import Path

import numpy as np
import soundfile

from grammar.advice.reading_card import reading_card
from grammar.protocol.loading import load_protocol
from listener.training.voices import RATE
from sample_audio_synthetic.make import HERE, LEVEL_DBFS, room_tone, spoken, voiced
from sample_audio_synthetic.script import read_script

DRILL = "well-run-drill"
PAUSE_S = 1.3


def make(station: str, speaker: str, sentences: tuple[str, ...], cache: Path) -> None:
    """One card."""
    rng = np.random.default_rng(zlib.crc32(station.encode()))
    laid, at = [], RATE // 2
    for text in sentences:
        sound = spoken(f"{text}.".capitalize(), speaker, cache)
        first, last, rms = voiced(sound)
        gain = 10 ** ((LEVEL_DBFS + rng.uniform(-1.5, 1.5)) / 20) / rms
        laid.append((at, sound[first:last] * np.float32(gain)))
        at += last - first + round(PAUSE_S * RATE)
    clip = room_tone(at, rng)
    for begins, sound in laid:
        clip[begins : begins + len(sound)] += sound
    whole = np.round(np.clip(clip, -1, 1) * 32767).astype(np.int16)
    soundfile.write(HERE / f"card-{station}.flac", whole, RATE, subtype="PCM_16")
    print(f"card-{station}: {len(sentences)} sentences, {len(whole) / RATE:.1f} s")


def main() -> None:
    """Make the cards of the named stations, or of all."""
    script = read_script(HERE / f"{DRILL}.script.toml")
    sentences = reading_card(load_protocol(script.protocol))
    cache = Path(tempfile.gettempdir()) / "answerback-spoken-lines"
    cache.mkdir(exist_ok=True)
    for station in sys.argv[1:] or script.voice:
        make(station, script.voice[station], sentences, cache)


if __name__ == "__main__":
    main()
