"""Settings that a user makes once for all cases: the colours and the keys, in one small TOML file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal

from platformdirs import user_config_path
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from grammar.errors import UserError
from tui.dashboard.keys import KeyMap

Theme = Literal["dark", "bright", "contrast"]


class Settings(BaseModel):
    """The settings file.

    theme = "bright"
    sounds = true

    [keys]
    call = "f2"
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    theme: Theme = "dark"
    sounds: bool = False
    """As `--sounds`, for whatever is heard behind the dashboard."""
    speak: bool = False
    """As `--speak` likewise."""
    keys: dict[str, str] = Field(default={})

    @field_validator("keys")
    @classmethod
    def _no_conflict(cls, keys: dict[str, str]) -> dict[str, str]:
        KeyMap(keys)
        return keys


def settings_path() -> Path:
    """Where the file is looked for: the user's own configuration folder."""
    return user_config_path("answerback", appauthor=False) / "settings.toml"


def load_settings(path: Path | None = None) -> Settings:
    """Return the settings; the usual ones where there is no file. Raises UserError for a file that is
    wrong.
    """
    path = path or settings_path()
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Settings()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read ({error})") from None
    try:
        return Settings.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: is no TOML: {error}") from None
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        reason = str(first["msg"]).removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            known = ", ".join(Settings.model_fields)
            reason = f"there is no such setting: use {known}"
        raise UserError(f"{path}: {place}: {reason}") from None
