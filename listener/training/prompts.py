"""Speech of people, from Debian's packages: to score with, never to train on.

asterisk-core-sounds-en-g722: one professional speaker at 16 kHz, CC BY-SA 3.0, with transcripts in
the package asterisk-core-sounds-en; -fr-, -it- and -ru-g722 likewise, other speakers, whom confidence is
fitted on: they say no call in any language we know. pocketsphinx-testdata: readers of a novel. ffmpeg
reads G.722.
"""

from __future__ import annotations

import gzip
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import soundfile

from grammar.errors import UserError
from listener.training.engines import Samples
from listener.training.voices import RATE, level

PROMPTS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
TRANSCRIPTS = Path("/usr/share/doc/asterisk-core-sounds-en/core-sounds-en.txt.gz")
FOREIGN = ("fr", "it", "ru")
"""Languages whose prompts others speak than the scoring ones, as the Spanish are not."""
NOVEL = Path("/usr/share/pocketsphinx/test/data/librivox")
NUMBERS = (*map(str, (*range(21), *range(30, 100, 10))), "hundred", "oh")
_SHORTEST_S = 0.8


def lone_numbers() -> Mapping[str, tuple[str, Samples]]:
    """Return single numbers: name -> (words, sound). Raises UserError where the packages are missing."""
    said = _transcripts()
    return {
        name: (said.get(f"digits/{name}", name).lower(), _prompt(f"digits/{name}"))
        for name in NUMBERS
    }


def remarks() -> Iterator[tuple[str, Samples]]:
    """Yield sentences that are no call: (words, sound)."""
    for name, words in _transcripts().items():
        # Numbers, letters and tones are left out, and what says a number: heard as one it is heard
        # rightly ("press 2 now"). So are single words, which may be anything.
        numbered = any(sign.isdigit() for sign in words)
        if numbered or "/" in name or words[:1] in "[<" or len(words.split()) < 2:
            continue
        if (PROMPTS / f"{name}.g722").is_file():
            sound = _prompt(name)
            if len(sound) > _SHORTEST_S * RATE:
                plain = "".join(sign if sign.isalpha() or sign in "' " else " " for sign in words)
                yield " ".join(plain.lower().split()), sound
    for path in sorted(NOVEL.glob("*.wav")):
        sound, _ = soundfile.read(path, dtype="float32")
        yield "a novel is read", level(sound)


def _transcripts() -> Mapping[str, str]:
    if not TRANSCRIPTS.is_file() or not PROMPTS.is_dir():
        raise UserError("The Debian package asterisk-core-sounds-en-g722 is not installed.")
    with gzip.open(TRANSCRIPTS, "rt", encoding="utf-8") as lines:
        pairs = (line.strip().partition(": ") for line in lines if not line.startswith(";"))
        return {name: said for name, colon, said in pairs if colon and said}


def _prompt(name: str) -> Samples:
    return _decoded(PROMPTS / f"{name}.g722")


def foreign() -> Iterator[Samples]:
    """Yield sentences in other languages, each language in turn."""
    folders = [PROMPTS.parent / language for language in FOREIGN]
    for folder in folders:
        if not folder.is_dir():
            raise UserError(
                f"A Debian package asterisk-core-sounds-{folder.name}-g722 is not installed."
            )
    for paths in zip(*(sorted(folder.glob("*.g722")) for folder in folders), strict=False):
        for path in paths:
            sound = _decoded(path)
            if len(sound) > _SHORTEST_S * RATE:
                yield sound


def _decoded(path: Path) -> Samples:
    command = ["ffmpeg", "-v", "error", "-f", "g722", "-i", str(path)]
    command += ["-ar", str(RATE), "-ac", "1", "-f", "f32le", "-"]
    try:
        decoded = subprocess.run(command, check=True, capture_output=True).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        raise UserError(f"ffmpeg could not read {path}.") from error
    return level(np.frombuffer(decoded, np.float32))
