"""How much was said: calls a minute, silence, and people speaking over each other."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from heapq import merge
from itertools import pairwise
from typing import overload

from grammar.case.facts import Fact, Gap
from grammar.case.view import View

Times = tuple[float, float]
"""From, until: seconds on the case's clock."""


@dataclass(frozen=True, slots=True)
class Speech:
    """Speech of a case, in the grammar or not. All in seconds but `calls`."""

    calls: int
    """Calls of the protocol that were heard, call-outs included; repeats and checklist items are not."""
    listened_s: float
    """From the beginning to the end or the view's moment, without the gaps when nothing was heard."""
    spoken_s: float
    """Somebody speaks, on any channel."""
    overlap_s: float | None
    """Two or more channels speak at once; None with one channel, which cannot tell."""
    longest_silence: Times | None
    """Within what was listened to; None where nothing was."""

    @property
    def silence_s(self) -> float:
        """Return for how long nobody spoke, in seconds."""
        return max(0.0, self.listened_s - self.spoken_s)

    @property
    def calls_per_minute(self) -> float | None:
        """None where nothing was listened to."""
        return 60 * self.calls / self.listened_s if self.listened_s else None


def speech(view: View, facts: Iterable[Fact]) -> Speech:
    """Return the speech of a case at the view's moment; its facts tell of gaps."""
    end = view.now if view.ended is None else min(view.ended, view.now)
    gaps = [(fact.t, fact.until) for fact in facts if isinstance(fact, Gap)]
    listened = list(_without((0.0, end), _joined(sorted(gaps))))
    calls = 0
    channels: dict[int, tuple[array[float], array[float]]] = {}
    for said in (line.utterance for line in view.log):
        if said is None or "entered" in said.flags:
            continue
        calls += said.role == "call" and said.call is not None and "repeat" not in said.flags
        begins, ends = channels.setdefault(said.channel, (array("d"), array("d")))
        begins.append(said.t)
        ends.append(min(said.until, end))
    each = [_joined(_in_order(*times)) for times in channels.values()]
    channels.clear()
    spoken = each[0] if len(each) == 1 else _joined(merge(*each))
    silences = (quiet for stretch in listened for quiet in _without(stretch, spoken))
    return Speech(
        calls=calls,
        listened_s=_length(listened),
        spoken_s=_length(spoken),
        overlap_s=_overlap(each),
        longest_silence=max(silences, key=lambda time: time[1] - time[0], default=None),
    )


class _Stretches(Sequence[Times]):
    """Times in order that do not overlap. A ward's week has a million: a tuple for each would take ten
    times the memory."""

    def __init__(self) -> None:
        self.begins, self.ends = array("d"), array("d")

    def __len__(self) -> int:
        return len(self.begins)

    @overload
    def __getitem__(self, at: int) -> Times: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Times]: ...
    def __getitem__(self, at: int | slice) -> Times | Sequence[Times]:
        if isinstance(at, slice):
            return tuple(zip(self.begins[at], self.ends[at], strict=True))
        return self.begins[at], self.ends[at]

    def __iter__(self) -> Iterator[Times]:
        return zip(self.begins, self.ends, strict=True)


def _overlap(channels: Sequence[_Stretches]) -> float | None:
    """Return seconds during which at least two of the channels speak, by counting in and out."""
    if len(channels) < 2:
        return None
    begins = (((t, 1) for t in times.begins) for times in channels)
    ends = (((t, -1) for t in times.ends) for times in channels)
    total, speaking, since = 0.0, 0, 0.0
    for t, step in merge(*begins, *ends):
        if speaking >= 2:
            total += t - since
        speaking, since = speaking + step, t
    return total


def _in_order(begins: array[float], ends: array[float]) -> Iterable[Times]:
    """Return the times in order, which those of one channel nearly always are already."""
    times = zip(begins, ends, strict=True)
    return times if all(a <= b for a, b in pairwise(begins)) else sorted(times)


def _joined(times: Iterable[Times]) -> _Stretches:
    """Return the same time without overlap. `times` come in the order of their beginnings."""
    found = _Stretches()
    begins, ends = found.begins, found.ends
    for began, until in times:
        if ends and began <= ends[-1]:
            ends[-1] = max(ends[-1], until)
        elif until > began:
            begins.append(began)
            ends.append(until)
    return found


def _without(whole: Times, parts: Sequence[Times]) -> Iterator[Times]:
    """Yield the rest of `whole` between the `parts`, which are in order and do not overlap."""
    at = whole[0]
    first = bisect_right(parts, at, key=lambda part: part[1])
    for place in range(first, len(parts)):
        began, until = parts[place]
        if began >= whole[1]:
            break
        if began > at:
            yield at, began
        at = until
    if at < whole[1]:
        yield at, whole[1]


def _length(times: Iterable[Times]) -> float:
    return sum(until - began for began, until in times)
