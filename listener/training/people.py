"""Sentences read by people, to train on beside the synthetic ones, and noise recorded in the world.

In the folder of speech, `sentences/manifest.tsv` lists clips
with their source, speaker, length and, of one source, words. speechocean762 (Junbo Zhang et al.; free
for commercial and non-commercial use by its README) has words; the clips of LibriSpeech
(V. Panayotov et al., CC BY 4.0) have none: the sure ear writes them (`transcripts.py`), and they are
cut at their pauses. `noise/` are sounds of ESC-10 (K. Piczak; CC0 and CC BY).

About one speaker in seven of each source is set apart by name and never trains.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from listener.bench.known_speakers import is_apart
from listener.recognition.lexicon import Lexicon, Pronunciation
from listener.training.clips import FAR, LONGEST_S, Job
from listener.training.engines import phonemes_of
from listener.training.labels import best_phones, phones_of_ipa
from listener.training.voices import RATE

KIND = "people"
"""The kind of a person's "voice" in a job: "people/SOURCE-SPEAKER"."""
SHORTEST_S, ENOUGH_S = 1.0, 5.0
PAUSE_S, ANY_PAUSE_S = 0.15, 0.03
"""Between words; the shorter where a piece has ENOUGH_S already."""
SURE = 0.2
"""A piece with a word less likely than this, by the ear that wrote it, is left out."""


@dataclass(frozen=True, slots=True)
class Read:
    """A stretch of a recording of a person reading, and the words said there."""

    file: str
    source: str
    speaker: str
    begin: float  # s
    end: float
    words: str

    @property
    def voice(self) -> str:
        """The speaker, as a job names a voice."""
        return f"{KIND}/{self.source}-{self.speaker}"


def read_sentences(folder: Path, transcripts: Path | None = None) -> list[Read]:
    """Return the clips of `folder`/sentences; those without words only where `transcripts` has them.

    `transcripts` is what `transcripts.py` wrote.
    """
    with (folder / "sentences" / "manifest.tsv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines, delimiter="\t"))
    heard: dict[str, list[Word]] = {}
    if transcripts:
        for line in transcripts.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            heard[one["file"]] = [Word(*word) for word in one["words"]]
    found: list[Read] = []
    for row in rows:
        whole = float(row["seconds"])
        if row["words"]:
            said = row["words"].lower()
            found.append(
                Read(
                    file=row["file"],
                    source=row["source"],
                    speaker=row["speaker"],
                    begin=0.0,
                    end=whole,
                    words=said,
                )
            )
        else:
            for begin, end, words in pieces(heard.get(row["file"], ()), whole):
                found.append(
                    Read(
                        file=row["file"],
                        source=row["source"],
                        speaker=row["speaker"],
                        begin=begin,
                        end=end,
                        words=words,
                    )
                )
    return found


def wordless(folder: Path) -> list[Path]:
    """Return the recordings of `folder`/sentences that come without words."""
    with (folder / "sentences" / "manifest.tsv").open(encoding="utf-8", newline="") as lines:
        rows = csv.DictReader(lines, delimiter="\t")
        return [folder / "sentences" / row["file"] for row in rows if not row["words"]]


@dataclass(frozen=True, slots=True)
class Word:
    """A word that the sure ear wrote, its time in seconds and how likely it is."""

    text: str
    begin: float
    end: float
    probability: float


def pieces(words: Sequence[Word], whole_s: float) -> Iterator[tuple[float, float, str]]:
    """Return (begin, end, words) of stretches of at most LONGEST_S between pauses, of likely words only.
    Times in seconds.
    """
    cuts = [0.0]
    groups: list[list[Word]] = [[]]
    for at, word in enumerate(words):
        groups[-1].append(word)
        rest = words[at + 1] if at + 1 < len(words) else None
        if rest is None:
            cuts.append(whole_s)
            continue
        gap, length = rest.begin - word.end, word.end - cuts[-1]
        if (gap >= PAUSE_S and length > 2 * SHORTEST_S) or (
            gap >= ANY_PAUSE_S and length > ENOUGH_S
        ):
            cuts.append((word.end + rest.begin) / 2)
            groups.append([])
    for begin, end, group in zip(cuts, cuts[1:], groups, strict=False):
        likely = min((word.probability for word in group), default=0.0) >= SURE
        if likely and SHORTEST_S <= end - begin <= LONGEST_S:
            yield begin, end, " ".join(spelled(word.text) for word in group)


def spelled(word: str) -> str:
    """Return a written word as the dictionary has it: lower case, letters and apostrophes within."""
    kept = "".join(sign for sign in word.lower() if sign.isalnum() or sign in "'-")
    return kept.strip("'-").replace("-", " ")


def people_jobs(read: Sequence[Read], lexicon: Lexicon) -> Iterator[tuple[Job, Read]]:
    """Yield each stretch as a clip with its label; a word of no dictionary sounds as espeak-ng reads it."""
    for one in read:
        said = one.words.split()
        if not said:
            continue
        ways = {word: lexicon.get(word) or read_aloud(word) for word in said}
        heard = phones_of_ipa(phonemes_of(one.words, "en-us"))
        phones, distance = best_phones(said, ways, heard)
        if distance <= FAR:
            name = f"{KIND}-{Path(one.file).stem}-{round(100 * one.begin)}"
            yield (
                Job(
                    id=name,
                    kind="read",
                    voice=one.voice,
                    speed=1.0,
                    text=one.words,
                    phones=tuple(phones),
                ),
                one,
            )


def read_aloud(word: str) -> tuple[Pronunciation, ...]:
    """Return how espeak-ng reads a name, a figure or a word that the sure ear spelt by its sound."""
    return (tuple(phones_of_ipa(phonemes_of(word, "en-us"))),)


def keep_clips(chosen: Sequence[tuple[Job, Read]], folder: Path, into: Path) -> None:
    """Write each stretch into `into` as the synthetic clips are kept: Ogg Opus at 16 kHz."""
    into.mkdir(parents=True, exist_ok=True)
    for job, one in chosen:
        if not (into / job.file).exists():
            sound = recording(folder / "sentences" / one.file)
            cut = sound[round(one.begin * RATE) : round(one.end * RATE)]
            loud = max(float(np.abs(cut).max(initial=0)), 1e-6)
            partial = into / f"{job.id}.part"
            soundfile.write(partial, cut * (0.7 / loud), RATE, format="OGG", subtype="OPUS")
            partial.rename(into / job.file)


def recording(path: Path) -> npt.NDArray[np.float32]:
    """Return a recording, its first channel, at 16 kHz."""
    sound, rate = soundfile.read(path, dtype="float32", always_2d=True)
    resampled = soxr.resample(sound[:, 0], rate, RATE)
    return np.asarray(resampled, np.float32)


def noises(folder: Path) -> npt.NDArray[np.float32]:
    """Return sounds of `folder`/noise, each of variance 1, shape (sounds, samples): those that train."""
    paths = sorted((folder / "noise").glob("*.ogg"))
    kept = [recording(path) for path in paths if not is_apart(path.stem)]
    length = min(len(sound) for sound in kept)
    rows = np.stack([sound[:length] for sound in kept])
    spread = rows.std(1, keepdims=True)
    return np.asarray((rows / np.maximum(spread, 1e-6))[spread[:, 0] > 1e-5], np.float32)
