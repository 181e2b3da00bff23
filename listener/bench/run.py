"""A folder of clips heard under every condition, and what that came to."""

from __future__ import annotations

import atexit
import resource
import sys
import time
import zlib
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

from grammar.language.parse import Understanding
from grammar.language.phrases import compile_network, network
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from grammar.protocol.templates import Choice, parse_template
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.bench.clips import Clip
from listener.bench.conditions import applied
from listener.bench.figures import Bench, Tally, delays, figures, reliability
from listener.bench.hearing import Ear, words_of
from listener.bench.judging import judge_clip, judge_words
from listener.recognition.calibration import Calibration
from listener.recognition.engines import choose
from listener.recognition.recogniser import Recogniser

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
    every_guess: bool = False
    """Keep words too that are so unsure that a case would tell them as not understood."""


class _Ears:
    """The recognisers that the clips need, each made once."""

    def __init__(self, wanted: Wanted, cases: Path) -> None:
        self._wanted = wanted
        self._cases = cases
        self._ears: dict[str, tuple[Ear, Understanding]] = {}
        self._lone: dict[tuple[str, ...], Recogniser] = {}
        self.engine = ""

    def protocol(self, clip: Clip) -> tuple[Ear, Understanding]:
        name = self._wanted.protocol or clip.truth.protocol
        if name not in self._ears:
            protocol = load_protocol(name)
            ear = Ear(protocol, self._choose(protocol), self._cases)
            self._ears[name] = ear, Understanding(protocol)
        return self._ears[name]

    def lone(self, phrases: tuple[str, ...]) -> Recogniser:
        if phrases not in self._lone:
            whole = Choice(tuple(parse_template(phrase) for phrase in phrases))
            wanted = self._wanted
            found = choose(wanted.recogniser, compile_network(whole, {}), {}, wanted.model)
            self._lone[phrases], self.engine = found, found.name
        return self._lone[phrases]

    def _choose(self, protocol: Protocol) -> Recogniser:
        wanted, language = self._wanted, protocol.protocol.language
        whole, says = network(protocol), protocol.pronunciations
        found = choose(wanted.recogniser, whole, says, wanted.model, language)
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
    """Hear every clip under every condition. Raises UserError where an engine or protocol is amiss.

    Each utterance's verdict is added to `tallies`, by condition, for those who want them singly.
    """
    tallies = {} if tallies is None else tallies
    tallies |= {name: Tally() for name in wanted.conditions}
    sound_s = worked_s = 0.0
    with TemporaryDirectory(prefix="answerback-bench-") as cases:
        ears = _Ears(wanted, Path(cases))
        for name, tally in tallies.items():
            for number, clip in enumerate(clips, start=1):
                heard_s, took_s = _hear(ears, clip, name, tally)
                sound_s, worked_s = sound_s + heard_s, worked_s + took_s
                progress(f"{name}: {number} of {len(clips)} clips")
    late, memory = _at_real_pace(clips, wanted, progress)
    return Bench(
        engine=ears.engine,
        clips=len(clips),
        conditions={name: figures(tally) for name, tally in tallies.items()},
        reliability=reliability([claim for tally in tallies.values() for claim in tally.claims]),
        delays=delays(late),
        real_time_factor=worked_s / max(sound_s, 1e-9),
        peak_memory_mb=memory,
    )


def _hear(ears: _Ears, clip: Clip, condition: str, tally: Tally) -> tuple[float, float]:
    """One clip into the tally: its length, and the processor time that hearing it took."""
    # The clip's own name seeds its noise: the same sound for every engine.
    samples = applied(condition, clip.sound(), zlib.crc32(clip.name.encode()))
    if clip.truth.phrases:
        recogniser = ears.lone(clip.truth.phrases)
        began = time.process_time()
        words = words_of(recogniser, samples)
        took = time.process_time() - began
        tally.numbers.append(judge_words(clip.truth, words))
    else:
        ear, understanding = ears.protocol(clip)
        began = time.process_time()
        caught = ear.hear(samples)
        took = time.process_time() - began
        tally.add(judge_clip(clip.truth, understanding, caught))
    return len(samples) / SAMPLE_RATE, took


def _at_real_pace(
    clips: Sequence[Clip], wanted: Wanted, progress: Progress
) -> tuple[list[float], float | None]:
    """Delays of clips spread evenly over the folder, under each condition in turn; peak memory.

    In a process of its own, whose memory is what listening takes and nothing else.
    """
    calls = [
        clip
        for clip in clips
        if not clip.truth.phrases and any(one.role != "chatter" for one in clip.truth.utterance)
    ]
    count = min(wanted.real_pace, len(calls))
    delays_s: list[float] = []
    memory = None
    if not count:
        return delays_s, memory
    with ProcessPoolExecutor(1, get_context("spawn"), _open_ears, (wanted,)) as listening:
        for number in range(count):
            clip = calls[number * len(calls) // count]
            name = wanted.conditions[number % len(wanted.conditions)]
            samples = applied(name, clip.sound(), zlib.crc32(clip.name.encode()))
            delays, memory = listening.submit(_hear_at_real_pace, clip, samples).result()
            delays_s += delays
            progress(f"at real pace: {number + 1} of {count} clips")
    return delays_s, memory


_ears: _Ears | None = None
"""Those of a listening process."""


def _open_ears(wanted: Wanted) -> None:
    global _ears  # noqa: PLW0603  (what a worker process is made with has no other place)
    folder = TemporaryDirectory(prefix="answerback-bench-")
    _ears = _Ears(wanted, Path(folder.name))
    atexit.register(folder.cleanup)


def _hear_at_real_pace(clip: Clip, samples: Samples) -> tuple[list[float], float]:
    assert _ears is not None
    ear, understanding = _ears.protocol(clip)
    verdict = judge_clip(clip.truth, understanding, ear.hear(samples, real_pace=True))
    found = [one.delay_s for one in verdict.answers if one.delay_s is not None]
    return found, peak_memory_mb()


def peak_memory_mb() -> float:
    """The most memory this process has held, in 10^6 bytes."""
    status = Path("/proc/self/status")
    if status.exists():
        # Unlike getrusage, it forgets what the process was before it became this programme.
        lines = status.read_text(encoding="ascii").splitlines()
        peak = next(line for line in lines if line.startswith("VmHWM:"))
        return int(peak.split()[1]) * 1024 / 1e6
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / 1e6 if sys.platform == "darwin" else most * 1024 / 1e6
