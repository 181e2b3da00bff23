"""A folder of clips heard under every condition, and what that came to."""

from __future__ import annotations

import atexit
import resource
import sys
import time
import zlib
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

import numpy as np

from grammar.errors import UserError
from grammar.language.parse import Understanding, understanding_of
from grammar.language.phrases import compile_network, network
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Choice, parse_template
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.clips import NOISE, Clip, read_mono
from listener.bench.conditions import CONDITIONS, KITCHEN_DB, applied, in_kitchen
from listener.bench.figures import Bench, Tally, delays, figures, reliability
from listener.bench.hearing import BOTH, QUICK, SURE, Ear, LoneWords
from listener.bench.judging import Answer, Verdict, judge_clip, judge_words
from listener.confidence.supervised_sure_ear import (
    SureListener,
    load_sure_ear,
    start_sure_ear,
    wanted_model,
)
from listener.recognition.calibration import Calibration
from listener.recognition.engines import choose
from listener.recognition.recogniser import Recogniser
from listener.recognition.sure_ear import SureEar

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The engine that hears the clips, and its settings."""

    recogniser: str = "auto"
    model: Path | None = None
    protocol: str | None = None
    """A protocol's name or file instead of each clip's own."""
    conditions: Sequence[str] = ("clean",)
    real_pace: int = 20
    """So many clips are heard once more at real pace, for the delay."""
    ears: Literal["both", "quick"] = "both"
    """`both` where the sure ear is installed."""
    every_guess: bool = False
    """Keep words too that are so unsure that a case would tell them as not understood."""


class _Ears:
    """The recognisers that the clips need, each made once."""

    def __init__(self, wanted: Wanted, cases: Path, *, apart: bool = False) -> None:
        """`apart`: the sure ear has a process of its own, as in a case."""
        self._wanted = wanted
        self._cases = cases
        self._apart = apart
        self._ears: dict[str, tuple[Ear, Understanding]] = {}
        self._lone: dict[tuple[str, ...], LoneWords] = {}
        self.engine = ""
        self.ears: tuple[str, ...] = (QUICK,)

    def protocol(self, clip: Clip) -> tuple[Ear, Understanding]:
        name = self._wanted.protocol or clip.truth.protocol
        if name not in self._ears:
            protocol = load_protocol(name)
            ear = Ear(protocol, self._choose(protocol), self._cases, self._sure(protocol))
            self._ears[name] = ear, understanding_of(protocol)
        return self._ears[name]

    def lone(self, phrases: tuple[str, ...]) -> LoneWords:
        if phrases not in self._lone:
            whole = Choice(tuple(parse_template(phrase) for phrase in phrases))
            wanted, words = self._wanted, compile_network(whole, {})
            found = choose(wanted.recogniser, words, {}, model_dir=wanted.model)
            model = wanted_model() if wanted.ears == "both" else None
            if model:
                self.ears = (BOTH, QUICK, SURE)
            sure = SureEar(model.folder, words, "en") if model else None
            self._lone[phrases], self.engine = LoneWords(found, sure), found.name
        return self._lone[phrases]

    def _sure(self, protocol: Protocol) -> SureListener | None:
        model = wanted_model() if self._wanted.ears == "both" else None
        if model is None:
            return None
        self.ears = (BOTH, QUICK, SURE)
        apart = start_sure_ear(protocol) if self._apart else None
        if apart is None:
            return load_sure_ear(protocol, model.folder)
        atexit.register(apart.close)
        apart.hear(np.zeros(SAMPLE_RATE, np.int16))  # loaded from here on, as in a case under way
        return apart

    def _choose(self, protocol: Protocol) -> Recogniser:
        wanted, language = self._wanted, protocol.protocol.language
        whole, says = network(protocol), protocol.pronunciations
        found = choose(wanted.recogniser, whole, says, model_dir=wanted.model, language=language)
        self.engine = found.name
        if wanted.every_guess:
            found.calibration = replace(found.calibration or Calibration(0.0, {}), least=0.0)
        return found


def bench(
    clips: Sequence[Clip],
    wanted: Wanted,
    progress: Progress,
    tallies: dict[str, Tally] | None = None,
) -> Bench:
    """Hear every clip under every condition with all the ears there are, as a case is heard.

    Each utterance's verdict is added to `tallies`, by condition, for those who want them singly.
    Raises UserError where an engine or protocol is amiss.
    """
    return bench_by_ear(clips, wanted, progress, tallies)[0]


def bench_by_ear(
    clips: Sequence[Clip],
    wanted: Wanted,
    progress: Progress,
    tallies: dict[str, Tally] | None = None,
) -> list[Bench]:
    """Do the same, and tell what each ear alone would have come to, after both together.

    Without a sure ear, the quick one is the only one.
    """
    own = {} if tallies is None else tallies
    by_ear: dict[str, dict[str, Tally]] = {}
    sound_s = worked_s = 0.0
    with TemporaryDirectory(prefix="answerback-bench-") as cases:
        ears = _Ears(wanted, Path(cases))
        for name in wanted.conditions:
            for number, clip in enumerate(clips, start=1):
                heard_s, took_s, found = _hear(ears, clip, name)
                for ear, verdict in found.items():
                    tally = by_ear.setdefault(ear, {}).setdefault(name, Tally())
                    tally.take(verdict)
                sound_s, worked_s = sound_s + heard_s, worked_s + took_s
                progress(f"{name}: {number} of {len(clips)} clips")
    late, memory = _at_real_pace(clips, wanted, progress)
    own |= by_ear[ears.ears[0]]
    return [
        Bench(
            engine=f"{ear}: {ears.engine}" if len(ears.ears) > 1 else ears.engine,
            clips=len(clips),
            conditions={name: figures(tally) for name, tally in by_ear[ear].items()},
            reliability=reliability(
                [claim for tally in by_ear[ear].values() for claim in tally.claims]
            ),
            delays=delays(late.get(ear, [])),
            real_time_factor=worked_s / max(sound_s, 1e-9),
            peak_memory_mb=memory,
        )
        for ear in ears.ears
    ]


def _hear(
    ears: _Ears, clip: Clip, condition: str
) -> tuple[float, float, dict[str, Verdict | Answer]]:
    """Return a clip's length, the processor time that hearing took, and what each ear came to."""
    samples = under(condition, clip)
    began = time.process_time()
    found: dict[str, Verdict | Answer]
    if clip.truth.phrases:
        words = ears.lone(clip.truth.phrases).hear(samples)
        took = time.process_time() - began
        found = {ear: judge_words(clip.truth, said) for ear, said in words.items()}
    else:
        ear, understanding = ears.protocol(clip)
        began = time.process_time()
        caught = ear.hear_apart(samples)
        took = time.process_time() - began
        found = {name: judge_clip(clip.truth, understanding, one) for name, one in caught.items()}
    return len(samples) / SAMPLE_RATE, took, found


def usual_conditions(clips: Sequence[Clip]) -> tuple[str, ...]:
    """Return the conditions in which a folder's clips are heard where none is named: in the noise recorded
    beside them, where they have some, instead of the fan."""
    if all(clip.noise for clip in clips):
        return "clean", "mask", "radio", *KITCHEN_DB
    return tuple(CONDITIONS)


def under(condition: str, clip: Clip) -> Samples:
    """Return a clip's sound; its own name seeds its noise, the same for every engine."""
    seed = zlib.crc32(clip.name.encode())
    if condition in KITCHEN_DB:
        if clip.noise is None:
            raise UserError(f"{clip.path.parent} holds no {NOISE} for {condition}.")
        return in_kitchen(condition, clip.sound(), read_mono(clip.noise), seed)
    return applied(condition, clip.sound(), seed)


def _at_real_pace(
    clips: Sequence[Clip], wanted: Wanted, progress: Progress
) -> tuple[dict[str, list[float]], float | None]:
    """Delays of clips spread evenly over the folder, under each condition in turn; peak memory.

    In a process of its own, and the sure ear in another, as in a case: their memory is what listening
    takes and nothing else.
    """
    calls = [
        clip
        for clip in clips
        if not clip.truth.phrases and any(one.role != "chatter" for one in clip.truth.utterance)
    ]
    count = min(wanted.real_pace, len(calls))
    delays_s: dict[str, list[float]] = {}
    memory = None
    if not count:
        return delays_s, memory
    with ProcessPoolExecutor(1, get_context("spawn"), _open_ears, (wanted,)) as listening:
        for number in range(count):
            clip = calls[number * len(calls) // count]
            name = wanted.conditions[number % len(wanted.conditions)]
            late, memory = listening.submit(_hear_at_real_pace, clip, under(name, clip)).result()
            for ear, found in late.items():
                delays_s.setdefault(ear, []).extend(found)
            progress(f"at real pace: {number + 1} of {count} clips")
    return delays_s, memory


_ears: _Ears | None = None
"""Those of a listening process."""


def _open_ears(wanted: Wanted) -> None:
    global _ears  # noqa: PLW0603  (what a worker process is made with has no other place)
    folder = TemporaryDirectory(prefix="answerback-bench-")
    _ears = _Ears(wanted, Path(folder.name), apart=True)
    atexit.register(folder.cleanup)


def _hear_at_real_pace(clip: Clip, samples: Samples) -> tuple[dict[str, list[float]], float]:
    assert _ears is not None
    ear, understanding = _ears.protocol(clip)
    found = {}
    for name, caught in ear.hear_apart(samples, real_pace=True).items():
        verdict = judge_clip(clip.truth, understanding, caught)
        found[name] = [one.delay_s for one in verdict.answers if one.delay_s is not None]
    return found, peak_memory_mb()


def peak_memory_mb() -> float:
    """Return the most memory this process and those that it began have held, in 10^6 bytes, each at its
    worst.
    """
    own = Path("/proc/self")
    if (own / "status").exists():
        # Unlike getrusage, it forgets what the process was before it became this programme.
        began = [each for file in own.glob("task/*/children") for each in file.read_text().split()]
        return sum(_peak_mb(process) for process in (own, *(own.parent / each for each in began)))
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / 1e6 if sys.platform == "darwin" else most * 1024 / 1e6


def _peak_mb(process: Path) -> float:
    """Of one process by its folder in /proc, 0 where it has ended."""
    with suppress(OSError):
        for line in (process / "status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024 / 1e6
    return 0.0
