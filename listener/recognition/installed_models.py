"""Where published vosk models live on this machine, and which speaks a language."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import distributions
from pathlib import Path

_NAME = re.compile(r"vosk-model-(?:small-)?(?P<language>[a-z]{2,3})(?:-|$)")


@dataclass(frozen=True, slots=True)
class InstalledModel:
    """A published model found on this machine. `language` is its ISO 639 code, such as `ko`."""

    name: str
    language: str
    folder: Path


def usual_places(environment: Mapping[str, str]) -> tuple[Path, ...]:
    """Return the folders where vosk's own tools look for models, in their order."""
    named = environment.get("VOSK_MODEL_PATH")
    return (
        *((Path(named),) if named else ()),
        Path("/usr/share/vosk"),
        Path.home() / "AppData" / "Local" / "vosk",
        Path.home() / ".cache" / "vosk",
    )


def installed_models(environment: Mapping[str, str] | None = None) -> Iterator[InstalledModel]:
    """Published models in the usual places, then those installed as Python packages."""
    for place in usual_places(os.environ if environment is None else environment):
        if place.is_dir():
            for folder in sorted(place.iterdir()):
                yield from _model(folder.name, folder)
    for distribution in distributions():
        name = distribution.metadata["Name"].replace("_", "-").lower()
        if _NAME.match(name):
            inside = (path for path in distribution.files or () if path.match("am/final.mdl"))
            for path in inside:
                yield from _model(name, Path(str(distribution.locate_file(path))).parent.parent)


def model_for(language: str, environment: Mapping[str, str] | None = None) -> InstalledModel | None:
    """Return the first installed model of a language, or None."""
    found = (each for each in installed_models(environment) if each.language == language)
    return next(found, None)


def is_model(folder: Path) -> bool:
    """Whether a folder looks like a vosk model, of the present layout or the one before."""
    return any((folder / part).is_file() for part in ("am/final.mdl", "final.mdl"))


def _model(name: str, folder: Path) -> Iterator[InstalledModel]:
    matched = _NAME.match(name)
    if matched and is_model(folder):
        yield InstalledModel(name, matched["language"], folder)
