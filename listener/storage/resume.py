"""Works out how a case that was broken off goes on: its clock, the gap in between, its next sound
file.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from grammar.case.facts import CaseEnded, CaseStarted, Gap, Resumed
from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import StoredCase
from listener.storage.flac_writer import next_name


@dataclass(frozen=True, slots=True)
class Resumption:
    """`at` is the moment of going on, seconds on the case's clock; `gap` what lies before it, or None;
    `audio` the name of this sitting's sound file."""

    at: float
    gap: Gap | None
    audio: str


def resume_at(stored: StoredCase, wall: datetime, *, reopen: bool = False) -> Resumption:
    """Return how a case goes on at `wall`, the local time with offset.

    The case's clock goes on with the wall clock from where that stood when the case began, and never
    back. Raises UserError for a case that never began, and for one that has ended unless `reopen`.
    """
    started = next((fact for fact in stored.facts if isinstance(fact, CaseStarted)), None)
    if started is None:
        raise UserError(f"{stored.folder}: this case never began: start a new one")
    lasts = [f for f in stored.facts if isinstance(f, CaseEnded | Resumed)]
    if lasts and isinstance(lasts[-1], CaseEnded) and not reopen:
        raise UserError(
            f"{stored.folder}: this case has ended: --reopen goes on with it all the same"
        )
    sounds = (sound.starts_s + sound.kept.frames / SAMPLE_RATE for sound in stored.sounds)
    last = max(stored.end, *sounds, 0.0)
    at = max(_since(started.wall, wall), last)
    reason = "the case was broken off"
    gap = Gap(t=last, until=at, reason=reason) if at > last else None
    return Resumption(at, gap, next_name(stored.folder))


def _since(began: str, wall: datetime) -> float:
    try:
        return (wall - datetime.fromisoformat(began)).total_seconds()
    except (ValueError, TypeError):
        return 0.0  # a case whose beginning has no time: its own last moment must do
