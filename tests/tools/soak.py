"""Hears hours of looped drills with noise: `python -m tests.tools.soak [HOURS]`, 8 unless given.

The sound comes as fast as it is heard, through everything that `listen` uses. After each hour it prints
the memory of the listener and its two engines, Python's objects, open handles, what a second of sound
costs, and how long a fact took from told to stored and shown; at the end, how much of the memory is the
facts themselves. Linux only: it reads /proc.
"""

from __future__ import annotations

import gc
import os
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import soundfile

from grammar.case.facts import Fact
from grammar.case.fold import Case
from grammar.case.view import Utterance
from listener.audio.blocks import BLOCK, Block
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import open_case
from tui.listening.case_listening import Listening
from tui.listening.options import CaseOptions

DRILLS = ("well-run-drill", "faulty-drill")
NOISE = 30.0
"""Rms of the white noise, about 60 dB below full scale."""
PAUSE_S = 60


def _samples(name: str) -> np.ndarray:
    path = files("sample_audio_synthetic") / f"{name}.flac"
    found: np.ndarray = soundfile.read(str(path), dtype="int16")[0]
    return found


@dataclass(frozen=True, slots=True)
class Reading:
    """How the process stands after some sound."""

    hours: float
    facts: int
    listener_mb: float
    engine_mb: float
    """Of the recogniser and the second listener."""
    objects: int
    """Blocks of memory that Python has given out."""
    handles: int
    cpu_ms: float
    """Of all processes, for each second of sound since the last reading."""
    stored_ms: float
    """The longest that a fact took to be stored and folded since the last reading, but for one in 20."""

    def __str__(self) -> str:
        return (
            f"after {self.hours:.1f} h: {self.facts} facts, memory {self.listener_mb:.1f} MB and engines "
            f"{self.engine_mb:.1f} MB, {self.objects} objects, {self.handles} open handles, "
            f"{self.cpu_ms:.1f} ms of computing a second of sound, a fact told in {self.stored_ms:.1f} ms"
        )


class Looped:
    """Drills one after the other, each with a minute of nothing but noise behind it."""

    name = "looped drills"
    channels = 1
    rate = SAMPLE_RATE
    live = False

    def __init__(self, hours: float) -> None:
        self._blocks = round(hours * 3600 * SAMPLE_RATE / BLOCK)
        # Once: arrays of many megabytes made again and again would be measured with the listener.
        self._drills = [_samples(name) for name in DRILLS]

    def blocks(self) -> Iterator[Block]:
        rng = np.random.default_rng(8)
        for at, clean in zip(range(self._blocks), self._clean(), strict=False):
            noisy = clean + rng.normal(0.0, NOISE, BLOCK)
            samples = np.clip(np.rint(noisy), -32768, 32767).astype(np.int16)
            yield Block(at * BLOCK / SAMPLE_RATE, samples[:, np.newaxis])

    def _clean(self) -> Iterator[np.ndarray]:
        while True:
            for drill in self._drills:
                for start in range(0, len(drill) - BLOCK, BLOCK):
                    yield drill[start : start + BLOCK]
                for _ in range(PAUSE_S * SAMPLE_RATE // BLOCK):
                    yield np.zeros(BLOCK, dtype=np.int16)


class Soaked(Listening):
    """A case that is measured while it is heard."""

    def __init__(self, hours: float, every_hours: float, cases: Path) -> None:
        wishes = CaseOptions(
            protocol="isolation-airway",
            weight_kg=70.0,
            recogniser="auto",
            model=None,
            cases=cases,
            record=True,
            real_pace=False,
        )
        super().__init__(Looped(hours), wishes)
        self.readings: list[Reading] = []
        self._every_s = every_hours * 3600
        self._cpu_s = self._cpu()
        self._took: list[float] = []
        tell = self.live._tell

        def timed(fact: Fact) -> Utterance | None:
            began = time.perf_counter()
            told = tell(fact)
            self._took.append(time.perf_counter() - began)
            return told

        self.live._tell = timed  # type: ignore[method-assign]

    def block(self, _t: float, levels_dbfs: object) -> None:
        super().block(_t, levels_dbfs)  # type: ignore[arg-type]
        if _t >= (len(self.readings) + 1) * self._every_s - 0.05:
            self._read(_t)

    def _read(self, t: float) -> None:
        cpu_s = self._cpu()
        gc.collect()
        reading = Reading(
            hours=t / 3600,
            facts=len(self.case.facts),
            listener_mb=_memory_mb(os.getpid()),
            engine_mb=sum(map(_memory_mb, self._engine_pids)),
            objects=sys.getallocatedblocks(),
            handles=sum(map(_handles, (os.getpid(), *self._engine_pids))),
            cpu_ms=1000 * (cpu_s - self._cpu_s) / self._every_s,
            stored_ms=1000 * float(np.quantile(self._took or [0.0], 0.95)),
        )
        self._cpu_s, self._took = cpu_s, []
        self.readings.append(reading)
        print(reading, flush=True)

    @property
    def _engine_pids(self) -> tuple[int, ...]:
        return self.ears.pids

    def _cpu(self) -> float:
        return sum(map(_cpu_s, (os.getpid(), *self._engine_pids)))


def _memory_mb(pid: int) -> float:
    """Resident, without the pages of files, which the system may drop at any time."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("RssAnon:")[2].split()[0]) / 1024


def _handles(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def soak(
    hours: float, every_hours: float, heard: Callable[[Path], None] = lambda _: None
) -> list[Reading]:
    """Readings every so often. `heard` is given the folder of the case once it has ended."""
    with TemporaryDirectory() as cases:
        case = Soaked(hours, every_hours, Path(cases))
        case.run()
        case.close()
        heard(case.journal.folder)
    return case.readings


def _tell_of_facts(folder: Path) -> None:
    print(f"the facts and what follows from them are {facts_mb(folder):.1f} MB of that")


def facts_mb(folder: Path) -> float:
    """Memory of a case's facts and all that is derived from them."""
    case = Case(open_case(folder).protocol)
    tracemalloc.start()
    for fact in open_case(folder).facts:
        case.add(fact)
    taken = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    return taken / 1e6


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    readings = soak(hours, 1.0, _tell_of_facts)
    if len(readings) > 1:
        first, last = (r.listener_mb + r.engine_mb for r in (readings[0], readings[-1]))
        print(f"memory from the first hour to the last: {100 * (last / first - 1):+.1f} %")


if __name__ == "__main__":
    main()
