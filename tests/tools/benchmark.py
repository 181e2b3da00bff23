"""Prints how fast and how small a whole run is: `python -m tests.tools.benchmark`.

A sample drill, and then a quiet room, are heard in fast mode by a process of its own, everything on; with
`ANSWERBACK_EARS=both` by both ears. From the processor time of the two it works out what an hour with ten
minutes of talk costs.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory, TemporaryFile

import numpy as np
import psutil
import soundfile

from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded

DRILL = Path(str(files("sample_audio_synthetic") / "well-run-drill.flac"))
RUN = "import sys; from tui.cli import main; sys.exit(main())"


QUIET_S = 300
"""Length of the quiet room, s."""
TALK_S, HOUR_S, CORES = 600, 3600, 2


@dataclass(frozen=True, slots=True)
class Cost:
    """The cost of one run, of all its processes together."""

    seconds: float
    """From start to end by the clock."""
    cpu_s: float
    memory_mb: float
    """The most that was resident at once."""


def run(*argv: str, stdin: bytes = b"") -> Cost:
    """Run the program and return what that costs."""
    began, most, before = time.monotonic(), 0, _cpu_s()
    with TemporaryFile() as sound:
        sound.write(stdin)
        sound.seek(0)
        command = [sys.executable, "-c", RUN, *argv]
        running = subprocess.Popen(command, stdin=sound, stdout=subprocess.DEVNULL)
        while running.poll() is None:
            with suppress(psutil.NoSuchProcess):
                whole = psutil.Process(running.pid)
                each = [whole, *whole.children(recursive=True)]
                most = max(most, sum(one.memory_info().rss for one in each))
            time.sleep(0.05)
    assert running.returncode == 0
    return Cost(time.monotonic() - began, _cpu_s() - before, most / 2**20)


def _cpu_s() -> float:
    """Processor time of all children that have ended, and of theirs, s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def talk_s(sound: Samples) -> float:
    """Seconds of a sound, shape (n,), in which somebody speaks: those that are heard."""
    segmenter, talked, began = Segmenter(), 0.0, 0.0
    for event in [*segmenter.push(sound), *segmenter.flush()]:
        if isinstance(event, SpeechBegan):
            began = event.t
        elif isinstance(event, SpeechEnded):
            talked += event.t - began
    return talked


def main() -> None:
    sound, _ = soundfile.read(DRILL, dtype="int16")
    length, talk = len(sound) / SAMPLE_RATE, talk_s(sound)
    hiss = np.random.default_rng(0).normal(0, 8, QUIET_S * SAMPLE_RATE).astype(np.int16)
    with TemporaryDirectory() as cases:
        # A tenth of a second of sound: what is left is starting up.
        start = run("listen", "-", "--json", "--cases", cases, stdin=bytes(3200))
        whole = run("listen", str(DRILL), "--json", "--cases", cases)
        quiet = run("listen", "-", "--json", "--cases", cases, stdin=hiss.tobytes())
    share = whole.seconds / length
    print(f"{length:.0f} s of sound heard in {whole.seconds:.1f} s: {share:.3f} of its length")
    print(f"start to end of an empty case: {start.seconds:.2f} s")
    print(f"most memory resident, all processes together: {whole.memory_mb:.0f} MB")
    of_quiet = max(quiet.cpu_s - start.cpu_s, 0.0) / QUIET_S
    of_talk = (whole.cpu_s - start.cpu_s - (length - talk) * of_quiet) / talk
    hour = TALK_S * of_talk + (HOUR_S - TALK_S) * of_quiet
    print(f"processor time for a second of talk {of_talk:.3f} s, of quiet {of_quiet:.4f} s:")
    print(f"with ten minutes of talk an hour {100 * hour / (HOUR_S * CORES):.1f} % of two cores")


if __name__ == "__main__":
    main()
