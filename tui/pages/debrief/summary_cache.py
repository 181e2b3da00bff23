"""Summaries of cases kept between runs, so that many cases are read once.

One small file a case in the user's cache folder, private to them. It is used only while the case's
journal and protocol are of the same size and time, and the code that derived it is the same. Of a
locked case nothing is kept.
"""

from __future__ import annotations

import hashlib
import os
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from platformdirs import user_cache_path

from listener.storage.database import SEALS
from listener.storage.journal import JOURNAL, PROTOCOL
from listener.storage.passphrase import is_locked
from tui.pages.debrief.summary import ADAPTER, Summary, summarise

_CODE = ("grammar", "tui.pages.debrief")
"""Files that a summary is derived by: a change of a byte in them makes all anew."""


class SummaryCache:
    """The summaries kept in one folder."""

    def __init__(self, place: Path | None = None) -> None:
        """`place` is the folder; None for the user's cache."""
        self.place = place or user_cache_path("answerback", appauthor=False) / "debrief"

    def kept(self, folder: Path) -> Summary | None:
        """Return the summary of a case as it is now, where it is known."""
        try:
            return ADAPTER.validate_json((self.place / self._name(folder)).read_bytes())
        except (OSError, ValueError):
            return None

    def keep(self, folder: Path, found: Summary) -> None:
        """Keep a summary. Where that cannot be done the next run reads the case again."""
        if is_locked(folder):
            return
        try:
            self.place.mkdir(parents=True, exist_ok=True, mode=0o700)
            path = self.place / self._name(folder)
            part = path.with_suffix(f".{os.getpid()}")
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT, 0o600), "wb") as file:
                file.write(ADAPTER.dump_json(found))
            part.replace(path)
        except OSError:
            return

    @staticmethod
    def _name(folder: Path) -> str:
        whole = folder.absolute()
        seen = [str(whole), code_version()]
        for name in (JOURNAL, f"{JOURNAL}-wal", PROTOCOL, SEALS):
            try:
                now = (whole / name).lstat()
                # The time of change, unlike that of modification, cannot be set to what it was.
                seen.append(
                    f"{name} {now.st_ino} {now.st_size} {now.st_mtime_ns} {now.st_ctime_ns}"
                )
            except OSError:
                seen.append(f"{name} -")
        return hashlib.sha256("\n".join(seen).encode()).hexdigest() + ".json"


def summarise_and_keep(
    place: Path, passphrase: str | None, even_if_altered: bool, folder: Path
) -> Summary:
    """Read a case, sum it up, and keep that in `place`. Raises UserError where it cannot be read."""
    found = summarise(folder, passphrase, even_if_altered=even_if_altered)
    if not found.altered:
        SummaryCache(place).keep(folder, found)
    return found


@cache
def code_version() -> str:
    """Return a hash of the code and protocols that summaries are derived by."""
    whole = hashlib.sha256()
    for package in _CODE:
        for content in _sources(files(package)):
            whole.update(content)
    return whole.hexdigest()


def _sources(place: Traversable) -> list[bytes]:
    found = []
    for one in sorted(place.iterdir(), key=lambda each: each.name):
        if one.is_dir() and one.name != "__pycache__":
            found += _sources(one)
        elif one.name.endswith((".py", ".toml")):
            found.append(one.read_bytes())
    return found
