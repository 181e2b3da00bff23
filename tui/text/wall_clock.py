"""The wall clock, as facts, seals and notes keep it."""

from __future__ import annotations

from datetime import datetime


def wall_now() -> datetime:
    """Return the local time of day, with its offset from UTC."""
    return datetime.now().astimezone()


def wall_stamp() -> str:
    """Return the local time with its offset in ISO 8601, to the second."""
    return wall_now().isoformat(timespec="seconds")


def began_in_words(wall: str) -> str:
    """Return an ISO 8601 time as local date and time with its zone: "2 January 2026, 09:30 (UTC+01:00)".

    Local is where the case was: its own offset is kept. Text that is no time comes back as it is.
    """
    try:
        when = datetime.fromisoformat(wall)
    except ValueError:
        return wall
    return f"{when.day} {when:%B %Y, %H:%M} ({zone_in_words(when)})"


def zone_in_words(when: datetime) -> str:
    """Return the zone of a time by its offset from UTC, so that it is the same in every country."""
    offset = when.utcoffset()
    if offset is None:
        return "zone not said"
    minutes = round(offset.total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}" if minutes else "UTC"
