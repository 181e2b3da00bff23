"""A case folder read back: its protocol, its facts, its sound.

`open_case` refuses a case that was altered, unless it is told to read it even so. Nothing here changes the
folder.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from grammar.case.amendments import AMENDING, Amending, ended
from grammar.case.facts import Fact, RecordingSet, Resumed
from grammar.case.fold import Case
from grammar.case.view import View
from grammar.case.whole_case import WholeCase
from grammar.errors import UserError
from grammar.protocol.loading import parse_protocol
from grammar.protocol.model import Protocol
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.storage.fact_reader import Progress, opened
from listener.storage.facts_on_disk import HELD, FactsOnDisk, of_kinds
from listener.storage.integrity import NOT_CHECKED, Integrity
from listener.storage.journal import AUDIO, JOURNAL, PROTOCOL
from listener.storage.passphrase import Keys, unlock
from listener.storage.private_files import is_regular, read_regular
from listener.storage.sound_reader import LOCKED, SoundReader, kept_sound

_NAME = re.compile(r"audio[A-Za-z0-9.-]{0,60}")


@dataclass(frozen=True, slots=True)
class Sound:
    """One file of a case's sound; it begins `starts_s` seconds into the case."""

    path: Path
    starts_s: float
    kept: SoundReader


@dataclass(frozen=True, slots=True)
class StoredCase:
    """The content of a case folder."""

    folder: Path
    protocol: Protocol
    facts: Sequence[Fact]
    """Held, or for a large case read from its journal whenever they are gone through."""
    sounds: tuple[Sound, ...]
    """In order of time; empty where nothing was recorded or the sound was purged."""
    missing: tuple[str, ...] = ()
    """Sentences on the losses of a crash or a power cut."""
    head: str = ""
    """The last fact's hash, by which a page about the case can be held to it; "" where it has none."""
    integrity: Integrity = NOT_CHECKED
    """Whether it is as it was stored, for every page about it."""
    identity: str = ""
    """The same in every copy of the case; "" where that cannot be told."""
    keys: Keys | None = field(default=None, repr=False)
    """Those of a locked case."""

    @property
    def end(self) -> float:
        """Seconds on the case's clock at which its last fact was complete. Goes through all facts."""
        return max((ended(fact) for fact in self.facts), default=0.0)

    def case(self) -> Case:
        """Return the fold over all its facts, quick at any moment of the case (`Case.at`)."""
        case = Case(self.protocol)
        for fact in self.facts:
            case.add(fact)
        return case

    def whole(self) -> WholeCase:
        """Return the case folded to its end, each fact once and none of them held."""
        amending = [fact for fact in self.of_kinds(*AMENDING) if isinstance(fact, Amending)]
        return WholeCase(self.protocol, self.facts, amending)

    def view(self) -> View:
        """Return the case at its end."""
        return self.whole().at_its_end()

    def of_kinds(self, *kinds: str) -> list[Fact]:
        """Return the facts of these kinds, as `Fact.kind` has them."""
        return of_kinds(self.facts, *kinds)

    def sound(self, start: float, end: float) -> Samples:
        """Return the sound from `start` to `end`, seconds on the case's clock, shape (n, channels),
        16 kHz.

        Where there is none (a gap, purged, not recorded) it is silence.
        """
        first, last = round(start * SAMPLE_RATE), round(end * SAMPLE_RATE)
        pieces = [
            piece for sound in self.sounds if (piece := _piece(sound, first, last)) is not None
        ]
        channels = max((samples.shape[1] for _, samples in pieces), default=1)
        whole = np.zeros((max(last - first, 0), channels), np.int16)
        for at, samples in pieces:
            whole[at : at + len(samples), : samples.shape[1]] = samples
        return whole


def _piece(sound: Sound, first: int, last: int) -> tuple[int, Samples] | None:
    """Return the wanted samples that lie in one file, and their place in the wanted stretch."""
    origin = round(sound.starts_s * SAMPLE_RATE)
    skip = max(first - origin, 0)
    wanted = last - max(first, origin)
    if wanted <= 0:
        return None
    return max(origin - first, 0), sound.kept.read(skip, wanted)


def open_case(
    folder: Path,
    passphrase: str | None = None,
    *,
    even_if_altered: bool = False,
    progress: Progress | None = None,
) -> StoredCase:
    """Read a case folder and check its chain.

    Raises UserError for a folder that is no case or cannot be read, and for a case that was altered since
    it was stored unless `even_if_altered`.
    """
    keys = unlock(folder, passphrase)
    facts: Sequence[Fact]
    with opened(folder, keys, progress) as told:
        if told.integrity.altered and not even_if_altered:
            raise UserError(refusal(folder, told.integrity))
        large = told.count > HELD and not told.damaged
        facts = FactsOnDisk(folder, keys, told.count) if large else tuple(told.facts())
    sounds, missing = sounds_of(folder, of_kinds(facts, "resumed", "recording-set"), keys)
    return StoredCase(
        folder=folder,
        protocol=stored_protocol(folder),
        facts=facts,
        sounds=sounds,
        missing=(*([told.missing] if told.missing else ()), *missing),
        head=told.head,
        integrity=told.integrity,
        identity=told.identity,
        keys=keys,
    )


def refusal(folder: Path, integrity: Integrity) -> str:
    """Return the sentence with which an altered case is refused."""
    return (
        f"{folder} was altered after it was stored: {integrity.altered}."
        " With --even-if-altered debrief, handover, export, replay, rehear and view read it all the same,"
        " and say so on what is made of it; nothing seals it or goes on with it."
    )


def stored_protocol(folder: Path) -> Protocol:
    """Return the protocol kept in a case folder. Raises UserError where it cannot be read."""
    path = folder / PROTOCOL
    try:
        text = read_regular(path).decode()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UserError(f"{path}: cannot be read ({why})") from None
    return parse_protocol(text, str(path))


def sounds_of(
    folder: Path, facts: Sequence[Fact], keys: Keys | None = None
) -> tuple[tuple[Sound, ...], tuple[str, ...]]:
    """Return the files of sound that can be read, and a sentence on each that cannot be, or not to
    its end."""
    named = [(AUDIO, 0.0)]
    # A name, never a path: what a journal says must not lead out of its folder.
    named += [
        (fact.audio, fact.t)
        for fact in facts
        if isinstance(fact, Resumed | RecordingSet) and _NAME.fullmatch(fact.audio)
    ]
    found, missing = [], []
    for name, starts_s in named:
        path = folder / (name if keys is None else name + LOCKED)
        if not is_regular(path):
            continue
        try:
            kept = kept_sound(path, keys)
        except UserError as error:
            missing.append(str(error))
            continue
        found.append(Sound(path, starts_s, kept))
        if not kept.complete:
            missing.append(f"{name} breaks off after {kept.frames / SAMPLE_RATE:.1f} s")
    return tuple(found), tuple(missing)


def case_folders(place: Path) -> Iterator[Path]:
    """Yield the case folders directly in `place`, by name, so oldest first; `place` itself where it
    is one."""
    if is_regular(place / JOURNAL):
        yield place
    elif place.is_dir():
        yield from (one for one in sorted(place.iterdir()) if is_regular(one / JOURNAL))
