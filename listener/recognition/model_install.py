"""Fetches a published vosk model on a connected machine, by vosk's own downloader.

The archive is fetched and unpacked in a hidden folder beside the others, looked at there, and moved
into place in one step, so that a model is either whole or not there. An installation that is broken
off begins anew the next time.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
from collections.abc import Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final
from zipfile import BadZipFile

from grammar.errors import UserError
from listener.recognition.installed_models import InstalledModel, is_model, usual_places

if TYPE_CHECKING:
    from collections.abc import Iterator

_STAGING: Final = ".answerback-fetching-"
_NAME: Final = re.compile(r"vosk-model-[A-Za-z0-9._-]+")
_PATIENCE_S: Final = 30.0
"""A server that sends nothing for so long is gone."""


@dataclass(frozen=True, slots=True)
class PublishedModel:
    """One line of vosk's list of models."""

    name: str
    language: str
    small: bool
    size: str
    """For people, such as "41.9MiB"; "" where the list does not say."""


def published_models() -> list[PublishedModel]:
    """Return the models of vosk's own list that are not obsolete. Raises UserError without a network."""
    import requests  # noqa: PLC0415  (comes with vosk)
    import vosk  # noqa: PLC0415

    try:
        answer = requests.get(vosk.MODEL_LIST_URL, timeout=_PATIENCE_S)
        answer.raise_for_status()
        listed: Any = answer.json()
    except requests.exceptions.JSONDecodeError:
        raise UserError("The list of published models cannot be read: try again later.") from None
    except requests.exceptions.RequestException:
        raise UserError(
            "The list of published models cannot be reached: this needs a connected machine."
        ) from None
    found = [_published(each) for each in listed if isinstance(each, dict)]
    return [model for model in found if model is not None]


def _published(line: Mapping[str, object]) -> PublishedModel | None:
    name, language = str(line.get("name", "")), str(line.get("lang", ""))
    current = str(line.get("obsolete", "false")).lower() == "false"
    safe = _NAME.fullmatch(name) and re.fullmatch(r"[A-Za-z0-9-]+", language)
    if not safe or not current:
        return None
    size = str(line.get("size_text", ""))
    known = re.fullmatch(r"[0-9.]+ ?[A-Za-z]+", size) is not None
    return PublishedModel(name, language, line.get("type") == "small", size if known else "")


def pick(wanted: str, models: list[PublishedModel]) -> PublishedModel:
    """Return the model of this name, or the small one of this language. Raises UserError for neither."""
    for model in models:
        if model.name == wanted:
            return model
    for model in models:
        if model.language == wanted and model.small:
            return model
    raise UserError(
        f"No model or language “{wanted}” is published: `answerback model --published`."
    )


def install(wanted: PublishedModel, environment: Mapping[str, str] | None = None) -> InstalledModel:
    """Fetch and unpack a model into vosk's own place, with progress on standard error.

    Raises UserError, leaving nothing behind, where the network, the archive or the disk fails.
    """
    place = _place(os.environ if environment is None else environment)
    target = place / wanted.name
    if is_model(target):
        raise UserError(f"{wanted.name} is installed already, in {target}.")
    with _naming_failures(wanted.name), _staging(place) as staging:
        with _impatient():
            _downloader().download_model(staging / wanted.name)
        strays = sorted(path.name for path in staging.iterdir() if path.name != wanted.name)
        if strays or not is_model(staging / wanted.name):
            raise UserError(
                f"The archive of {wanted.name} is not as it should be, and was thrown away: it holds "
                + ("files outside the model's folder." if strays else "no model.")
            )
        if target.exists():
            shutil.rmtree(target)  # of a download that another program broke off
        (staging / wanted.name).replace(target)
    return InstalledModel(wanted.name, wanted.language, target)


def _place(environment: Mapping[str, str]) -> Path:
    """Return where vosk itself would put a model: the named folder, else its cache."""
    places = usual_places(environment)
    return places[0] if environment.get("VOSK_MODEL_PATH") else places[-1]


def _downloader() -> Any:
    """vosk's downloader; it is a method of a loaded model, so this is a model that loads none."""
    import vosk  # noqa: PLC0415

    class Downloader(vosk.Model):  # type: ignore[misc]  # vosk has no types
        def __init__(self) -> None:
            pass

        def __del__(self) -> None:
            pass

    return Downloader()


@contextmanager
def _staging(place: Path) -> Iterator[Path]:
    """An empty folder on the same disk, gone afterwards, and with it those of killed runs."""
    place.mkdir(parents=True, exist_ok=True)
    for old in place.glob(_STAGING + "*"):
        shutil.rmtree(old, ignore_errors=True)
    with TemporaryDirectory(prefix=_STAGING, dir=place) as name:
        yield Path(name)


@contextmanager
def _impatient() -> Iterator[None]:
    before = socket.getdefaulttimeout()
    socket.setdefaulttimeout(_PATIENCE_S)
    try:
        yield
    finally:
        socket.setdefaulttimeout(before)


@contextmanager
def _naming_failures(name: str) -> Iterator[None]:
    again = "nothing of it was kept: run the same command again"
    try:
        yield
    except BadZipFile:
        raise UserError(f"The archive of {name} came broken, and {again}.") from None
    except (HTTPException, TimeoutError, ConnectionError) as error:
        raise UserError(f"The download of {name} broke off ({_line(error)}); {again}.") from None
    except OSError as error:  # urllib's errors are OSErrors, like a full disk
        raise UserError(f"{name} cannot be installed ({_line(error)}); {again}.") from None


def _line(error: Exception) -> str:
    said = " ".join(str(getattr(error, "reason", None) or error).split()) or type(error).__name__
    return "".join(sign for sign in said if sign.isprintable())[:200]
