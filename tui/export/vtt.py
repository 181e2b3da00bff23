"""Captions for the video of a drill: W3C WebVTT, each cue with its speaker as a voice span."""

from __future__ import annotations

from collections.abc import Iterator

from tui.export.exported_case import CAUTION, ExportedCase, Line
from tui.text.wording import clean, station

_NEVER_S = 1e9
"""No case lasts thirty years; one from elsewhere may say so."""

SHORTEST_S = 1.0
"""A cue that ends as it begins would never be seen (what a person entered has no length)."""


def write(case: ExportedCase, offset_s: float = 0.0) -> str:
    """Return the captions. The case begins `offset_s` seconds into the video, or before it where
    negative.

    Utterances from before the video begins are left out.
    """
    about = f"{case.protocol.protocol.title}. {case.counts()} {CAUTION}"
    blocks = [f"WEBVTT\n\nNOTE\n{_comment(about)}\n"]
    blocks += [
        f"{line.seq}\n{_time(start)} --> {_time(end)}\n{_cue(case, line)}\n"
        for line, start, end in _cues(case, offset_s)
    ]
    return "\n".join(blocks)


def _cues(case: ExportedCase, offset_s: float) -> Iterator[tuple[Line, float, float]]:
    for line in case.lines:
        if line.kind not in ("utterance", "entered") or line.withdrawn:
            continue
        end = max(line.until, line.t + SHORTEST_S) + offset_s
        start = max(line.t + offset_s, 0.0)
        if start < end < _NEVER_S:
            yield line, start, end


def _time(seconds: float) -> str:
    """Return a WebVTT timestamp: hh:mm:ss.ttt, hours of two digits or more."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


def _cue(case: ExportedCase, line: Line) -> str:
    said = line.said
    marks = f" [{line.standing}]" if line.standing else ""
    entered = " [entered by hand]" if line.kind == "entered" else ""
    text = _escaped(clean(line.text).replace("[unk]", "[…]")) or "[…]"
    speaker = station(case.protocol, said.sender) if said else ""
    voice = f"<v {_escaped(speaker)}>" if speaker else ""
    return f"{voice}{text}{_escaped(marks + entered)}"


def _escaped(text: str) -> str:
    """Cue text: its three special characters as WebVTT writes them."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _comment(text: str) -> str:
    """Return the text without the arrow that would make a line of it the times of a cue."""
    return clean(text).replace("-->", "->")
