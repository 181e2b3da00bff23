"""Where published vosk models live on this machine, and which speaks a language."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import Distribution
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
    """Return the published models in the usual places, then those installed as Python packages."""
    for place in usual_places(os.environ if environment is None else environment):
        if place.is_dir():
            for folder in sorted(place.iterdir()):
                yield from _model(folder.name, folder)
    for found in _packages():
        package = Distribution.at(found)
        name = _plain(package.metadata["Name"])
        for path in package.files or ():
            if path.match("am/final.mdl"):
                yield from _model(name, Path(str(package.locate_file(path))).parent.parent)


def model_for(language: str, environment: Mapping[str, str] | None = None) -> InstalledModel | None:
    """Return the first installed model of a language, or None."""
    found = (each for each in installed_models(environment) if each.language == language)
    return next(found, None)


def _packages() -> Iterator[Path]:
    """Yield where installed packages that are called as a model is describe themselves. The descriptions of
    all others are left unread: with some hundred packages that took 40 ms of each start."""
    for place in filter(Path.is_dir, map(Path, dict.fromkeys(sys.path))):
        for found in sorted(place.glob("[Vv]osk[-_.]model[-_.]*.*-info")):
            if _NAME.match(_plain(found.name)):
                yield found


def _plain(name: str) -> str:
    """Return a package's name as packages are compared (PEP 503)."""
    return re.sub("[-_.]+", "-", name).lower()


def is_model(folder: Path) -> bool:
    """Return whether a folder looks like a vosk model, of the present layout or the one before."""
    return any((folder / part).is_file() for part in ("am/final.mdl", "final.mdl"))


def _model(name: str, folder: Path) -> Iterator[InstalledModel]:
    matched = _NAME.match(name)
    if matched and is_model(folder):
        yield InstalledModel(name, matched["language"], folder)
