"""Fits `listener/recognition/confidence-two-ears.toml`: how sure both ears together are.

    python -m listener.training two-ears --work WORK --folders FOLDER ... [--every N --condition NAME ...]
        [--protocol NAME] [--language ko]

hears folders of clips as a case is heard, notes for each utterance the quick ear's reading and the sure
ear's sentences, and fits a logistic model to the readings: orders by people in all conditions, people who
say what is no call (words that wake a machine, and sentences, which are held to NAME; those of people set
apart are left out), call-outs of our protocols in the calibrating voices. All that was heard so is kept in
WORK and fitted together. It prints what would come of the clips of each half, by the model that was fitted
to the other half. Halves are parted by clip.
"""

from __future__ import annotations

import pickle
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from grammar.errors import UserError
from grammar.language.parse import Understanding
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from grammar.reports.summary import slots_json
from listener.bench.clips import Clip, Spoken, read_folder
from listener.bench.figures import reliability
from listener.bench.hearing import Ear
from listener.bench.judging import Claim
from listener.bench.known_speakers import is_apart, known_speakers
from listener.bench.run import under, usual_conditions
from listener.confidence.judging_two_ears import (
    NEARBY,
    Judgement,
    QuickReading,
    Read,
    judged,
    key_of,
    possible_readings,
)
from listener.confidence.supervised_sure_ear import load_sure_ear, wanted_model
from listener.recognition.calibration import Calibration
from listener.recognition.engines import choose
from listener.recognition.sure_ear import SureHearing
from listener.training.calibrate import weigh

SENTENCES = "sentences"
"""The folder of known people who read sentences."""

SIGNS = {
    **dict.fromkeys(("agrees", "quick", "fit", "near", "nearer", "lead", "words", "pace"), 1.0),
    **dict.fromkeys(("other", "free", "nobody", "sounds"), -1.0),
}
"""Evidence that may speak only for an utterance, and evidence only against it."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One stretch of speech of a clip as both ears heard it."""

    folder: str
    condition: str
    clip: str
    truth: Sequence[Spoken]
    quick: QuickReading
    hearing: SureHearing
    protocol: str

    @property
    def read(self) -> Read:
        """Return how the words of its protocol are read."""
        return _reading(self.protocol)

    @property
    def half(self) -> int:
        """Return 0 or 1: the half of the clips that it belongs to, by the clip's name."""
        return zlib.crc32(self.clip.encode()) % 2

    def is_right(self, words: Sequence[str]) -> bool:
        """Return whether words mean what was said."""
        return any(_same(self.read, words, one) for one in self.truth if one.role != "chatter")

    @property
    def rows(self) -> list[Claim]:
        """Every reading with its evidence, as a claim that nobody has weighed yet."""
        found = possible_readings(self.quick, self.hearing, self.read)
        return [
            Claim(0.0, self.is_right(words), False, tuple(evidence.items()))
            for words, evidence in found
        ]


def _same(read: Read, words: Sequence[str], said: Spoken) -> bool:
    meaning = read(words)
    if said.words:
        return key_of(meaning) == key_of(read(tuple(said.words.split())))
    slots = meaning.reading.slots if meaning.reading else {}
    return meaning.kind == "call" and slots_json(slots) == dict(said.slots)


@cache
def _reading(protocol: str) -> Read:
    """Return how a protocol's words are read, each sentence once."""
    read = Understanding(load_protocol(protocol)).read
    return cache(lambda words: read(list(words)))  # both ears give tuples


@dataclass(frozen=True, slots=True)
class Wanted:
    """Of each folder, the clips that are heard, and how."""

    every: int = 1
    first: int = 0
    """The number of the first clip that is heard, of `every` one."""
    conditions: Sequence[str] = ()
    """Each clip is heard under each of them; without them under one of all in turn."""
    protocol: str = ""
    """Heard instead of each clip's own."""

    def named(self, folder: Path) -> str:
        """Return a name for what is heard so of a folder."""
        own = [Path(self.protocol).stem] if self.protocol else []
        return "-".join((folder.name, *own, str(self.every), str(self.first), *self.conditions))


def gather(folder: Path, wanted: Wanted, progress: Callable[[str], None]) -> Iterator[Heard]:
    """Hear the clips of a folder that are wanted."""
    clips = _not_apart(folder, read_folder(folder))[wanted.first :: wanted.every]
    in_turn = usual_conditions(clips)
    ears: dict[str, Ear] = {}
    noted: list[tuple[QuickReading, SureHearing]] = []
    with TemporaryDirectory(prefix="answerback-fit-") as cases:
        for number, clip in enumerate(clips):
            name = wanted.protocol or clip.truth.protocol
            if name not in ears:
                ears[name] = _listening(name, Path(cases), noted)
            for condition in wanted.conditions or (in_turn[number % len(in_turn)],):
                noted.clear()
                ears[name].hear(under(condition, clip))
                for quick, hearing in noted:
                    said = clip.truth.utterance
                    yield Heard(
                        folder=folder.name,
                        condition=condition,
                        clip=clip.name,
                        truth=said,
                        quick=quick,
                        hearing=hearing,
                        protocol=name,
                    )
            progress(f"{folder.name}: {number + 1} of {len(clips)} clips")


def _not_apart(folder: Path, clips: Sequence[Clip]) -> Sequence[Clip]:
    """Return the clips but those by known speakers who only judge."""
    if folder.name != SENTENCES:
        return clips
    speakers = known_speakers(folder)
    apart = {
        one.path for name, many in speakers.items() if is_apart(f"people/{name}") for one in many
    }
    return [clip for clip in clips if clip.path not in apart]


def _listening(name: str, cases: Path, noted: list[tuple[QuickReading, SureHearing]]) -> Ear:
    model = wanted_model()
    if model is None:
        raise UserError("The sure ear is not installed: pip install '.[people]'.")
    protocol = load_protocol(name)
    language = protocol.protocol.language
    quick = choose("auto", network(protocol), protocol.pronunciations, language=language)
    sure = load_sure_ear(protocol, model.folder)
    return Ear(
        protocol=protocol,
        recogniser=quick,
        cases=cases,
        sure=sure,
        noting=lambda *both: noted.append(both),
    )


def hear(
    work: Path, folders: Sequence[Path], wanted: Wanted, progress: Callable[[str], None]
) -> None:
    """Hear folders as `gather` does, and keep in `work` what was heard; none is heard a second time."""
    work.mkdir(parents=True, exist_ok=True)
    for folder in folders:
        known = work / f"two-ears-{wanted.named(folder)}.pickle"
        if not known.exists():
            keep(known, list(gather(folder, wanted, progress)))


def all_kept(work: Path) -> list[Heard]:
    """Return all that `hear` kept in `work`."""
    return [one for each in sorted(work.glob("two-ears-*.pickle")) for one in kept(each)]


def keep(path: Path, heard: Sequence[Heard]) -> None:
    """Store what was heard, to fit again without hearing again."""
    path.write_bytes(pickle.dumps(list(heard)))


def kept(path: Path) -> list[Heard]:
    """Return what `keep` stored."""
    found: list[Heard] = pickle.loads(path.read_bytes())
    return found


def made_from(heard: Sequence[Heard]) -> str:
    """Return how many stretches of speech of which clips, in words."""
    counts = Counter((one.folder, one.condition) for one in heard)
    return ", ".join(
        f"{folder} {condition} {n}" for (folder, condition), n in sorted(counts.items())
    )


def fit(heard: Sequence[Heard]) -> Calibration:
    """Return the odds that a reading is right."""
    return weigh([row for one in heard for row in one.rows], SIGNS)


Outcome = tuple[Heard, Judgement | None, Claim]


def outcomes(heard: Sequence[Heard], calibration: Calibration) -> Iterator[Outcome]:
    """Yield each stretch of speech with its judgement, what came of it, and how surely."""
    for one in heard:
        found = judged(one.quick, one.hearing, one.read, calibration)
        if found is None or found.verdict == "rejects":
            calls = any(each.role != "chatter" for each in one.truth)
            yield one, found, Claim(0.0, not calls, unsure=True)
            continue
        words = one.quick.words if found.verdict == "doubts" else found.words
        right = one.is_right(words)
        unsure = bool(found.doubts) or found.confidence < 0.5
        yield one, found, Claim(found.confidence, right, unsure, found.evidence)


def cross_validated(heard: Sequence[Heard]) -> str:
    """Return a table of what the half that a model was not fitted to came to, for people to read."""
    counts: Counter[tuple[str, str, str]] = Counter()
    alike: Counter[tuple[bool, bool]] = Counter()
    claims = []
    for half in (0, 1):
        model = fit([one for one in heard if one.half != half])
        for one, found, claim in outcomes([one for one in heard if one.half == half], model):
            told = bool(claim.evidence)
            what = "right" if claim.right and told else "told nothing" if not told else "wrong"
            counts[
                one.folder, one.condition, f"{what}, unsure" if told and claim.unsure else what
            ] += 1
            if found and found.verdict == "confirms":
                alike[NEARBY in found.doubts, claim.right] += 1
            if told:
                claims.append(claim)
    lines = [f"{' '.join(key[:2])}: {key[2]} {count}" for key, count in sorted(counts.items())]
    for near, name in ((True, "another reading near"), (False, "no other near")):
        right, wrong = alike[near, True], alike[near, False]
        lines.append(f"both heard alike, {name}: right {right}, wrong {wrong}")
    return "\n".join([*lines, f"expected calibration error {reliability(claims).error:.3f}"])
