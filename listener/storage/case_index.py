"""The cases kept in a folder, at a glance: enough to choose one, damaged ones named."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from grammar.case.amendments import ended
from grammar.case.facts import CaseEnded, CaseStarted, Entered, Heard, Purged, Resumed
from grammar.errors import UserError
from listener.storage.case_lock import is_held
from listener.storage.fact_reader import stored_facts
from listener.storage.journal import JOURNAL, PROTOCOL
from listener.storage.passphrase import is_locked
from listener.storage.private_files import is_regular

Standing = Literal["running", "broken off", "ended", "locked", "damaged"]


@dataclass(frozen=True, slots=True)
class IndexedCase:
    """One case. `began` is its local date and time, ISO 8601, empty where not known; `length_s` up to
    its last fact; `said` counts utterances; `trouble` says what is wrong with a damaged one."""

    folder: Path
    standing: Standing
    began: str = ""
    protocol: str = ""
    length_s: float = 0.0
    said: int = 0
    sound: Literal["kept", "purged", "none"] = "none"
    trouble: str = ""
    drill: bool | None = None
    """True for a drill, False for a real case; None where nobody said."""


def shelf(place: Path) -> Iterator[Path]:
    """Yield the folders in `place` that are cases or remains of one, the newest first by name."""
    if place.is_dir():
        folders = (one for one in place.iterdir() if one.is_dir())
        looks = (one for one in folders if (one / JOURNAL).exists() or (one / PROTOCOL).exists())
        yield from sorted(looks, key=lambda one: one.name, reverse=True)


def shelved(folder: Path) -> IndexedCase:
    """Return how a case stands. Never raises for one that cannot be read: that is `damaged`."""
    if is_locked(folder):
        return IndexedCase(folder, "running" if is_held(folder) else "locked")
    try:
        stored = stored_facts(folder)
        if stored.damaged and not stored.facts:
            raise UserError(stored.missing)
        if not is_regular(folder / PROTOCOL):
            raise UserError(f"{PROTOCOL} is missing")
        if stored.integrity.altered:
            raise UserError(f"altered after it was stored: {stored.integrity.altered}")
    except (UserError, OSError) as error:
        # The sentence names the folder, which stands beside it.
        trouble = str(error).replace(f"{folder}/", "").replace(str(folder), "this folder")
        return IndexedCase(folder, "damaged", trouble=trouble)
    facts = stored.facts
    started = next((fact for fact in facts if isinstance(fact, CaseStarted)), None)
    sittings = [fact for fact in facts if isinstance(fact, CaseStarted | Resumed | CaseEnded)]
    over = bool(sittings) and isinstance(sittings[-1], CaseEnded)
    standing: Standing = "ended" if over else "broken off"
    return IndexedCase(
        folder=folder,
        standing="running" if is_held(folder) else standing,
        began=started.wall if started else "",
        protocol=started.protocol if started else "",
        length_s=max((ended(fact) for fact in facts), default=0.0),
        said=sum(isinstance(fact, Heard | Entered) for fact in facts),
        sound="purged"
        if any(isinstance(fact, Purged) for fact in facts)
        else "kept"
        if any(folder.glob("audio*"))
        else "none",
        drill=started.drill if started else None,
    )
