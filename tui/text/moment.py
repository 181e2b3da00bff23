"""A moment of a case as people write it: 3:25, 1:03:25, or seconds."""

from __future__ import annotations

import re

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
