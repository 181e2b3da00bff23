"""The wall clock, as facts, seals and notes keep it."""

from __future__ import annotations

from datetime import datetime


def wall_now() -> datetime:
    """Return the local time of day, with its offset from UTC."""
    return datetime.now().astimezone()


def wall_stamp() -> str:
    """Return the local time with its offset in ISO 8601, to the second."""
    return wall_now().isoformat(timespec="seconds")
