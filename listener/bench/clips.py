"""A folder of labelled clips: sound beside its truth.

Each NAME.flac (or .wav, .ogg) has its NAME.toml beside it: `protocol`, or `phrases` where a clip holds
lone words rather than calls; a table `voice` from speaker to voice; and for each `[[utterance]]` its
`t` and `until` in seconds, `from`, `words`, `role` ("chatter" is no call), `call` and `slots`. The
sample drills are such a folder, and `python -m listener.training clips` makes larger ones. A folder of
orders by people may hold one `truth.json` instead (`read_orders`), one of speech or noise that is no
call one `manifest.tsv` (`read_no_calls`).
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grammar.errors import UserError
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE

SOUNDS = (".flac", ".wav", ".ogg")
ORDERS = "truth.json"
NOISE = "kitchen-noise.ogg"
NO_CALLS = "manifest.tsv"


class Spoken(BaseModel):
    """One utterance as it was spoken. Times in seconds from the clip's start."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    t: float = Field(ge=0)
    until: float
    speaker: str = Field(default="", alias="from")
    words: str
    role: str
    call: str | None = None
    slots: Mapping[str, str | int | float] = Field(default_factory=dict)

    @property
    def stakes(self) -> Mapping[str, str | int | float]:
        """Values that would do harm if heard wrongly: drug, unit and every number."""
        return stakes_of(self.slots)


class Truth(BaseModel):
    """The truth of one clip: what was said in it, when, by whom."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    protocol: str = "isolation-airway"
    phrases: tuple[str, ...] = ()
    voice: Mapping[str, str] = Field(default_factory=dict)
    weight_kg: float | None = None
    utterance: tuple[Spoken, ...]

    def voice_of(self, spoken: Spoken) -> str:
        """Return the name of the voice that spoke it; "?" where nobody knows."""
        return self.voice.get(spoken.speaker, spoken.speaker or "?")


class Clip(BaseModel):
    """A sound file and its truth."""

    model_config = ConfigDict(frozen=True)

    path: Path
    truth: Truth
    noise: Path | None = None
    """A recording of noise that goes with the folder, for the conditions named after it."""

    @property
    def name(self) -> str:
        """Return the file's name without its ending."""
        return self.path.stem

    def sound(self) -> NDArray[np.float64]:
        """Return the clip, mono, 16 kHz, in [-1, 1]. Raises UserError where it cannot be read."""
        return read_mono(self.path)


def read_mono(path: Path) -> NDArray[np.float64]:
    """Read a sound file, mono, 16 kHz, in [-1, 1]. Raises UserError where it cannot be read."""
    try:
        sound, rate = soundfile.read(path, dtype="float64", always_2d=True)
    except (OSError, soundfile.LibsndfileError) as error:
        raise UserError(f"{path} cannot be read as audio: {error}") from None
    mono = sound.mean(axis=1)
    if rate != SAMPLE_RATE:
        mono = soxr.resample(mono, rate, SAMPLE_RATE)
    return np.asarray(mono, np.float64)


def stakes_of(slots: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the slots that hold a drug, a unit or a number."""
    return {
        name: value
        for name, value in slots.items()
        if name in ("drug", "unit") or not isinstance(value, str)
    }


def read_folder(folder: Path) -> list[Clip]:
    """Return every clip in a folder, by name. Raises UserError where there is none, or a truth is amiss."""
    if not folder.is_dir():
        raise UserError(f"There is no folder {folder}.")
    if (folder / ORDERS).is_file():
        return read_orders(folder)
    if (folder / NO_CALLS).is_file():
        return read_no_calls(folder)
    paths = sorted(path for path in folder.iterdir() if path.suffix in SOUNDS)
    if not paths:
        raise UserError(f"{folder} holds no clips: they end in {', '.join(SOUNDS)}.")
    return [Clip(path=path, truth=_truth(path.with_suffix(".toml"))) for path in paths]


def read_orders(folder: Path) -> list[Clip]:
    """Read a folder with one `truth.json` for all: file name -> slots of the one call of its protocol.

    The protocol is `NAME.toml` beside the folder NAME. A recording of noise may lie in it. Each clip
    holds one utterance, whose words nobody wrote down. Raises UserError where anything is amiss.
    """
    protocol = folder.resolve().with_suffix(".toml")
    calls = load_protocol(str(protocol)).call
    if len(calls) != 1:
        raise UserError(f"{protocol} has {len(calls)} calls: clips that only name slots need one.")
    try:
        slots = json.loads((folder / ORDERS).read_text(encoding="utf-8"))
        found = [
            _order(folder / name, str(protocol), calls[0].id, slots[name]) for name in sorted(slots)
        ]
    except (OSError, ValueError, TypeError, soundfile.LibsndfileError) as error:
        raise UserError(f"{folder / ORDERS} cannot be used: {error}") from None
    noise = folder / NOISE
    return [clip.model_copy(update={"noise": noise if noise.is_file() else None}) for clip in found]


def read_no_calls(folder: Path) -> list[Clip]:
    """Read a folder with one `manifest.tsv` for all, whose first column names files: none holds a call.

    Raises UserError where anything is amiss.
    """
    try:
        lines = (folder / NO_CALLS).read_text(encoding="utf-8").splitlines()
        names = [line.split("\t")[0] for line in lines[1:] if line]
        return [_no_call(folder / name) for name in sorted(names)]
    except (OSError, ValueError, soundfile.LibsndfileError) as error:
        raise UserError(f"{folder / NO_CALLS} cannot be used: {error}") from None


def _no_call(path: Path) -> Clip:
    length_s = soundfile.info(path).duration
    spoken = {"t": 0.0, "until": length_s, "from": "people", "words": "", "role": "chatter"}
    return Clip(path=path, truth=Truth(utterance=(Spoken.model_validate(spoken),)))


def _order(path: Path, protocol: str, call: str, slots: Mapping[str, str]) -> Clip:
    length_s = soundfile.info(path).duration
    spoken = {"t": 0.0, "until": length_s, "from": "people", "words": "", "role": "call"}
    said = Spoken.model_validate({**spoken, "call": call, "slots": slots})
    return Clip(path=path, truth=Truth(protocol=protocol, utterance=(said,)))


def _truth(path: Path) -> Truth:
    try:
        return Truth.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise UserError(f"{path} is missing: each clip needs its truth beside it.") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UserError(f"{path} cannot be read: {error}") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise UserError(f"{path}: {where}: {first['msg']}.") from None
