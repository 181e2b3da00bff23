"""Who spoke an utterance, put together from voice, channel, words, and who answers whom.

Each of them multiplies how likely a station is (Bayes' rule, as though they were independent). The voice's
shares come from a fact; how much the other three weigh is our judgement, no source, and stands here. None
of them makes anybody known against the voice alone: what they leave in doubt is nobody's, and told as that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from grammar.case.facts import Heard
from grammar.case.loops import Loop
from grammar.language.meaning import Meaning
from grammar.protocol.model import Protocol

KNOWN: Final = 0.9
"""A station this likely spoke; below it nobody is named."""

PERHAPS: Final = 2 / 3
"""One this likely is told as the one who perhaps spoke: twice as likely as everybody else together."""

_CHANNEL: Final = 20.0
"""Weight of the station whose channel it came on: others may take its microphone."""

_NAMED: Final = 50.0
"""Weight of the station that the words name as their speaker: "this is …"."""

_CALLED: Final = 0.05
"""Weight of the one that is called: nobody calls themselves."""

_ASKED: Final = 2.0
"""Weight of the one that was asked, and its inverse that of the one that asked. Little, since who answers
in place of another is to be found out."""


@dataclass(frozen=True, slots=True)
class Speaker:
    """Who spoke, as far as is known."""

    station: str | None
    """None where no station is likely enough."""
    confidence: float
    """How likely `station`, or else `perhaps`, spoke: 0 to 1."""
    reasons: tuple[str, ...] = ()
    """The evidence it rests on, each a few words, such as `voice 0.97`, `says so`, `channel`, `was
    asked`."""
    perhaps: str | None = None
    """The likeliest station where it is not likely enough to be named."""
    stranger: bool = False
    """The voice is none of those that are known, and no station is named all the same."""

    @property
    def told(self) -> str:
        """Return `known`, `stranger`, `doubtful` where the voice leaves it open, or `not known` where there
        was none to compare."""
        if self.station:
            return "known"
        return "stranger" if self.stranger else "doubtful" if self.confidence else "not known"


NOBODY: Final = Speaker(None, 0.0)


def who_spoke(
    protocol: Protocol,
    fact: Heard,
    meaning: Meaning,
    *,
    channels: Mapping[int, str],
    loops: Iterable[Loop],
    by_hand: bool = False,
) -> Speaker:
    """Return the speaker of `fact`; `loops` are those that may still be answered, newest first."""
    if fact.sender is not None:
        return _surely(fact.sender, "set by hand" if by_hand else "source")
    channel = channels.get(fact.channel)
    if not fact.voice:
        if meaning.sender:
            return _surely(meaning.sender, "says so")
        return _surely(channel, "channel") if channel else NOBODY
    shares = _shares(protocol, fact.voice)
    reasons: dict[str, list[str]] = {name: [] for name in shares}
    for name, share in fact.voice:
        reasons[name].append(f"voice {share:.2f}")

    def weigh(name: str | None, factor: float, reason: str) -> None:
        if name in shares:
            shares[name] *= factor
            reasons[name].append(reason)

    weigh(channel, _CHANNEL, "channel")
    weigh(meaning.sender, _NAMED, "says so")
    weigh(meaning.to, _CALLED, "is called")
    asking = _answered(loops, meaning)
    if asking is not None:
        weigh(asking.to, _ASKED, "was asked")
        weigh(asking.sender, 1.0 / _ASKED, "asked")
    total = sum(shares.values())
    best = max((name for name in shares if name), key=lambda name: shares[name])
    found = shares[best] / total
    because = tuple(reasons[best])
    if found >= KNOWN:
        return Speaker(best, found, because)
    members = {name for name, _ in fact.voice}
    nobody = sum(share for name, share in shares.items() if name not in members) / total
    if nobody >= KNOWN:
        return Speaker(None, nobody, ("no voice that is known",), stranger=True)
    return Speaker(None, found, because, best if found >= PERHAPS else None)


@lru_cache(256)
def _surely(station: str, reason: str) -> Speaker:
    return Speaker(station, 1.0, (reason,))


def _shares(protocol: Protocol, voice: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Of every station, and under "" of nobody: a voice that is no member's may be of any station that
    has no member, or a stranger's."""
    shares = dict(voice)
    others = [one.id for one in protocol.station if one.id not in shares]
    rest = max(1.0 - sum(shares.values()), 1e-6) / (len(others) + 1)
    return {**shares, **dict.fromkeys([*others, ""], rest)}


def _answered(loops: Iterable[Loop], meaning: Meaning) -> Loop | None:
    """Return the newest loop that waits and that these words may answer."""
    calls = {reading.call for reading in meaning.readings}
    for loop in loops:
        if loop.status not in ("open", "differs"):
            continue
        if meaning.kind == "answer" and loop.call in calls:
            return loop
        if meaning.kind == "proword" and meaning.said("acknowledge"):
            return loop
    return None
