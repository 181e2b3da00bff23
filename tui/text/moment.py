"""A moment of a case as people write it: 3:25, 1:03:25, or seconds."""

from __future__ import annotations

import re

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


def past_moment(text: str, now: float) -> float:
    """Return the moment, in seconds on the case's clock, that a person means by "now", "2m", "2m30",
    "90s ago" or a time of the clock such as "3:25".

    `now` is the present moment. Raises ValueError for other text, and for a time that is to come.
    """
    plain = text.strip().lower()
    if plain in ("", "now"):
        return now
    ago = _AGO.fullmatch(plain)
    if ":" not in plain and ago and (ago[1] or ago[2]):
        then = now - 60 * int(ago[1] or 0) - int(ago[2] or 0)
    else:
        then = moment(plain)
    if not 0 <= then <= now:
        raise ValueError(f'"{text}" is not in the past of this case')
    return then
