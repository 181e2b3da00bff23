"""A moment of a case as people write it: 3:25, 1:03:25, or seconds."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from grammar.times import clock

_AGO = re.compile(
    r"(?:(\d{1,3})\s*m(?:in(?:utes?)?)?)?\s*(?:(\d{1,4})\s*s?(?:ec(?:onds?)?)?)?(?:\s*ago)?"
)
_CLOCK = re.compile(r"(?:(?:(\d{1,3}):)?(\d{1,3}):)?(\d{1,6})(\.\d+)?")


def moment(text: str) -> float:
    """Return the seconds that "205", "205.5", "3:25" or "1:03:25" mean. Raises ValueError for other
    text."""
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        raise ValueError(f'"{text}" is no time: write 3:25, 1:03:25 or seconds')
    hours, minutes, seconds, part = found.groups()
    if (minutes is not None and int(seconds) > 59) or (hours is not None and int(minutes) > 59):
        raise ValueError(f'"{text}" is no time: minutes and seconds go to 59')
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + int(seconds) + float(part or 0)


def past_moment(text: str, now: float, wall: datetime | None = None) -> float:
    """Return the moment, in seconds on the case's clock, that a person means by "now", "2m", "2m30",
    "90s ago", a time of the case such as "3:25", or one of the day such as "14:05" or "14:05:30".

    `now` is the present moment and `wall` its time of day, None where that is not known. A time that both
    clocks know is the case's. Raises ValueError for other text, a number without its unit, and a time
    that is to come or before the case.
    """
    plain = text.strip().lower()
    if plain in ("", "now"):
        return now
    if plain.isdigit():
        raise ValueError(f"{plain} what? {plain}s or {plain}m ago, or a time such as 3:25")
    ago = _AGO.fullmatch(plain)
    if ":" not in plain and ago and (ago[1] or ago[2]):
        times = [now - 60 * int(ago[1] or 0) - int(ago[2] or 0)]
    elif ":" in plain and _CLOCK.fullmatch(plain):
        times = [*_of_the_case(plain), *_of_the_day(plain, now, wall)]
    else:
        raise ValueError(f'"{text}" is no time: write 90s or 2m ago, 3:25, or the time of day')
    then = next((each for each in times if 0 <= each <= now), None)
    if then is None:
        raise ValueError(f'"{text}" is not in the past of this case')
    return then


def moment_in_words(at: float, now: float, wall: datetime | None) -> str:
    """Return a moment by both clocks: "at 00:38 (12:52:04 by the clock)"."""
    if wall is None:
        return f"at {clock(at)}"
    return f"at {clock(at)} ({wall - timedelta(seconds=now - at):%H:%M:%S} by the clock)"


def _of_the_case(text: str) -> list[float]:
    try:
        return [moment(text)]
    except ValueError:
        return []


def _of_the_day(text: str, now: float, wall: datetime | None) -> list[float]:
    """Return the moment of a time of the day, "14:05" or "14:05:30", as near before now as it was."""
    hours, minutes, *seconds = (int(part) for part in text.partition(".")[0].split(":"))
    if wall is None or hours > 23 or minutes > 59 or any(each > 59 for each in seconds):
        return []
    then = wall.replace(hour=hours, minute=minutes, second=sum(seconds), microsecond=0)
    if then > wall:
        then -= timedelta(days=1)
    return [now - (wall - then).total_seconds()]
