"""Scores an acoustic model on clips of scoring voices, through vosk with the exact grammar."""

from __future__ import annotations

import time
import zlib
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from grammar.language.parse import Understanding
from listener.bench.conditions import CONDITIONS, applied
from listener.recognition.recogniser import heard_words
from listener.recognition.vosk_recogniser import VoskRecogniser
from listener.training.clips import Job

RATE = 16000
Meaning = Callable[[Sequence[str]], Hashable]
_QUIET_S = 0.25  # of near-silence before and after a clip, as a segment has


@dataclass(slots=True)
class Score:
    """Sentences by condition and voice: all, those understood rightly, those right word for word."""

    clips: Counter[tuple[str, str]] = field(default_factory=Counter)
    understood: Counter[tuple[str, str]] = field(default_factory=Counter)
    verbatim: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[tuple[str, str, str, str]] = field(default_factory=list)
    """Condition, voice, what was said and what was heard, where the meaning differs."""
    spoken_s: float = 0.0
    worked_s: float = 0.0

    def share(
        self, of: Counter[tuple[str, str]], condition: str, voice: str | None = None
    ) -> float:
        """Return the share of clips of a condition that are right as `of` has it (`understood` or
        `verbatim`), of one voice or all.
        """
        keys = [key for key in self.clips if key[0] == condition and voice in (None, key[1])]
        return sum(of[key] for key in keys) / max(1, sum(self.clips[key] for key in keys))

    def table(self) -> str:
        """Return a Markdown table: a row a voice, a column a condition; call and slots right, then words
        right.
        """
        names = [name for name in CONDITIONS if any(key[0] == name for key in self.clips)]
        rows = [["voice", *names], ["---"] * (len(names) + 1)]
        for voice in [*sorted({key[1] for key in self.clips}), None]:
            shares = [self.share(self.understood, name, voice) for name in names]
            rows.append([voice or "all", *(f"{share:.1%}" for share in shares)])
        words = [self.share(self.verbatim, name) for name in names]
        rows.append(["all, every word", *(f"{share:.1%}" for share in words)])
        return "\n".join("| " + " | ".join(row) + " |" for row in rows)

    @property
    def real_time_factor(self) -> float:
        """Return the seconds of work for each second of sound."""
        return self.worked_s / max(self.spoken_s, 1e-9)


def meaning_in(understanding: Understanding) -> Meaning:
    """Return the part of an utterance that must be right: the call and its slots, the item, or the
    proword.

    Courtesies, articles, "over", a plural and the like may differ.
    """

    def meaning(words: Sequence[str]) -> Hashable:
        read = understanding.read(words)
        alone = read.prowords if read.kind == "proword" else ()
        readings = sorted(repr(reading) for reading in read.readings)
        return read.kind, tuple(readings), read.checklist, read.item, alone

    return meaning


def score(
    recogniser: VoskRecogniser,
    meaning: Meaning,
    jobs: Iterable[Job],
    folder: Path,
    conditions: Sequence[str] = tuple(CONDITIONS),
) -> Score:
    """Hear each clip that is in `folder` under each condition."""
    made = Score()
    for job in jobs:
        if not (folder / job.file).exists():
            continue
        sound, _ = soundfile.read(folder / job.file, dtype="float64")
        quiet = np.zeros(round(_QUIET_S * RATE))
        for name in conditions:
            # The clip's own name seeds its noise: the same sound for every model.
            seed = zlib.crc32(job.id.encode())
            samples = applied(name, np.concatenate([quiet, sound, quiet]), seed)
            began = time.perf_counter()
            heard = heard_words(recogniser, samples)
            made.worked_s += time.perf_counter() - began
            made.spoken_s += len(samples) / RATE
            key, said = (name, job.voice), job.text.split()
            made.clips[key] += 1
            made.verbatim[key] += heard == said
            if meaning(heard) == meaning(said):
                made.understood[key] += 1
            else:
                made.wrong.append((name, job.voice, job.text, " ".join(heard)))
    return made
