"""How long it takes to say who spoke, from an utterance that is stored to the fact that names its voice.

A case's own attribution (`listener/team/speaker_attribution.py`) knows five members from their cards, and
compares one utterance after the other in its thread, as it does live.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle, islice
from typing import Final

import numpy as np

from grammar.case.facts import Fact, Heard
from grammar.case.view import Utterance
from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.conditions import applied
from listener.bench.known_speakers import Recording
from listener.bench.team_trials import TEAM
from listener.team.member import Member
from listener.team.speaker_attribution import AROUND_S, SpeakerAttribution
from listener.team.speaker_encoder import SpeakerEncoder

UTTERANCES: Final = 60
_CARD: Final = 5
_WAIT_S: Final = 30.0


@dataclass(frozen=True, slots=True)
class Delay:
    """Seconds of each comparison, (n,): of the clock, and of the processor."""

    clock_s: tuple[float, ...]
    processor_s: tuple[float, ...]
    speech_s: tuple[float, ...]
    """How long each utterance took to say."""

    def as_dict(self) -> dict[str, float | int]:
        """Return the figures for JSON, in milliseconds."""
        return {
            "utterances": len(self.clock_s),
            **{
                f"{name}_p{percent}_ms": round(1000 * float(np.percentile(values, percent)), 1)
                for name, values in (("clock", self.clock_s), ("processor", self.processor_s))
                for percent in (50, 95)
            },
            "speech_p95_s": round(float(np.percentile(self.speech_s, 95)), 2),
        }


def bench_delay(
    people: Mapping[str, Sequence[Recording]],
    condition: str,
    progress: Callable[[str], None],
    utterances: int = UTTERANCES,
) -> Delay:
    """Time comparisons with a team of the first five who have enough recordings. Raises UserError where
    there are fewer."""
    able = [each for each in people.values() if len(each) > _CARD]
    if len(able) < TEAM:
        raise UserError(f"{len(able)} people have enough recordings: {TEAM} are needed.")
    encoder = SpeakerEncoder()
    members = []
    for number, each in enumerate(able[:TEAM]):
        made = [encoder.print_of(_sound(one, condition)) for one in each[:_CARD]]
        prints = tuple(each for each in made if each is not None)
        if prints:
            members.append(Member(station=f"station-{number}", prints=prints, agreed=""))
    told = threading.Event()

    def tell(_fact: Fact) -> Utterance | None:
        told.set()
        return None

    rest = cycle([one for each in able for one in each[_CARD:]])
    attribution = SpeakerAttribution(members, tell, channels=1, live=True)
    found: list[tuple[float, float, float]] = []
    for seq, (t, sound) in enumerate(_one_after_the_other(rest, condition, utterances + 1)):
        attribution.take(0, t, sound)
        told.clear()
        until = t + len(sound) / SAMPLE_RATE
        heard = Heard(seq=seq, t=t + AROUND_S, until=until - AROUND_S, channel=1, words=())
        began, worked = time.perf_counter(), time.process_time()
        attribution.heard(heard, None)
        if told.wait(_WAIT_S):
            took = time.perf_counter() - began, time.process_time() - worked
            found.append((*took, len(sound) / SAMPLE_RATE))
        progress(f"delay, {condition}: {seq} of {utterances} utterances")
    attribution.finish()
    clock, processor, speech = zip(*found[1:], strict=True)  # the first loads the encoder
    return Delay(clock, processor, speech)


def delay_page(delays: Mapping[str, Delay]) -> str:
    """Return the figures as a table in Markdown."""
    lines = [
        "| saying who spoke | utterances | median, ms | 95 in 100 within, ms"
        " | 95 in 100 within, ms of processor time | 95 in 100 are no longer than, s |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, delay in delays.items():
        one = delay.as_dict()
        cells = [one["utterances"], one["clock_p50_ms"], one["clock_p95_ms"]]
        cells += [one["processor_p95_ms"], one["speech_p95_s"]]
        lines.append(f"| {name} | {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def _one_after_the_other(
    recordings: Iterator[Recording], condition: str, count: int
) -> Iterator[tuple[float, Samples]]:
    t = 0.0
    for one in islice(recordings, count):
        sound = _sound(one, condition)
        yield t, sound
        t += len(sound) / SAMPLE_RATE + 1.0


def _sound(recording: Recording, condition: str) -> Samples:
    return applied(condition, recording.pieces()[0].astype(np.float64) / 32768, 1)
