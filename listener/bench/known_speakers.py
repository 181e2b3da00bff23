"""Recordings of known speakers, and which of them judge what others trained or set.

A folder holds either a `manifest.tsv` with the columns `file` and `speaker` (and `source`, `words` where
they are known), or a folder of sounds for each speaker. Whoever trains an encoder, sets a bound or judges
is chosen by the name alone, so that it never changes.
"""

from __future__ import annotations

import csv
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np

from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.clips import SOUNDS, read_mono

Part = Literal["train", "bounds", "judge"]

MANIFEST: Final = "manifest.tsv"

LONGEST_S: Final = 3.5
"""A longer recording is cut into pieces of this length: about as long as a long call."""
SHORTEST_S: Final = 1.0

APART_IN_100: Final = 15

MANY: Final = 10
"""Recordings of one speaker that are enough for a card and more."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording of one person."""

    path: Path
    speaker: str
    """The speaker's name, which no speaker of another source has."""
    words: str = ""

    def pieces(self) -> list[Samples]:
        """Return its sound in pieces of at most `LONGEST_S`, 16 kHz. Raises UserError where it cannot be
        read."""
        sound = np.rint(np.clip(read_mono(self.path), -1.0, 1.0) * 32767).astype(np.int16)
        most, least = round(LONGEST_S * SAMPLE_RATE), round(SHORTEST_S * SAMPLE_RATE)
        if self.words or len(sound) < most + least:
            return [sound]
        starts = range(0, len(sound) - least, most)
        return [sound[start : start + most] for start in starts]


def is_apart(voice: str) -> bool:
    """Return whether no acoustic network of ours may be trained on a person, "people/" and their name here:
    about one in seven only judges, by the name, so that it never changes."""
    return zlib.crc32(voice.encode()) % 100 < APART_IN_100


def parts(speakers: Mapping[str, Sequence[Recording]]) -> dict[str, Part]:
    """Return whether a speaker trains the encoder, sets bounds, or only judges.

    Of each source's names in their order, those with many recordings and those with few apart, every
    second trains; of the others two in five set bounds, by the name.
    """
    found: dict[str, Part] = {}
    groups: dict[tuple[str, bool], list[str]] = {}
    for name in sorted(speakers):
        source = name.rpartition("-")[0]
        groups.setdefault((source, len(speakers[name]) >= MANY), []).append(name)
    for names in groups.values():
        for at, name in enumerate(names):
            apart: Part = "bounds" if zlib.crc32(name.encode()) % 5 < 2 else "judge"
            found[name] = apart if at % 2 else "train"
    return found


def known_speakers(folder: Path) -> dict[str, list[Recording]]:
    """Return every speaker's recordings, in the order of their names.

    Raises UserError where there are none, or the manifest is amiss.
    """
    found: dict[str, list[Recording]] = {}
    for one in _listed(folder) if (folder / MANIFEST).is_file() else _by_folder(folder):
        found.setdefault(one.speaker, []).append(one)
    if not found:
        raise UserError(f"{folder} holds no recordings of known speakers.")
    return {name: sorted(found[name], key=lambda one: one.path.name) for name in sorted(found)}


def _listed(folder: Path) -> list[Recording]:
    path = folder / MANIFEST
    try:
        with path.open(encoding="utf-8", newline="") as lines:
            rows = list(csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE))
        return [
            Recording(
                folder / row["file"],
                f"{row.get('source') or folder.name}-{row['speaker']}",
                row.get("words") or "",
            )
            for row in rows
        ]
    except (OSError, UnicodeDecodeError, csv.Error, KeyError, TypeError) as error:
        raise UserError(f"{path} cannot be used: {error!r}") from None


def _by_folder(folder: Path) -> list[Recording]:
    if not folder.is_dir():
        raise UserError(f"There is no folder {folder}.")
    return [
        Recording(path, f"{folder.name}-{person.name}")
        for person in folder.iterdir()
        if person.is_dir()
        for path in person.iterdir()
        if path.suffix in SOUNDS
    ]
