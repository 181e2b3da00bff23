"""Kills a running case at random moments and resumes it: `python -m tests.tools.crash [KILLS] [AT ONCE]`.

200 kills, four at a time, unless given. Each case hears a minute of a drill from a random place on
at real pace, in a process of its own, until SIGKILL. Prints what was shown, what of it was there again,
and how much sound was lost at most.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO

import soundfile

from grammar.case.facts import CaseStarted, Doubted, Fact, Gap, Heard, HeardOut, Resumed
from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE
from listener.storage.case_reader import open_case
from listener.storage.seals import verify

COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
DRILL = Path(str(files("sample_audio_synthetic") / "faulty-drill.flac"))
EARLY = 0.1
"""Share of the kills that come while the case is still being made ready."""


@dataclass(frozen=True, slots=True)
class Crash:
    """One killed case, as it was found again."""

    shown: int
    lost_s: float
    """Sound that had come before the kill and cannot be read, at least, seconds."""
    resumed: bool
    """False where the kill came before the case had begun."""
    wrong: tuple[str, ...] = ()
    """What is not as promised."""


class Shown(threading.Thread):
    """The whole lines that were shown, each with the moment it came."""

    def __init__(self, stream: IO[bytes]) -> None:
        super().__init__(daemon=True)
        self.lines: list[tuple[float, dict[str, object]]] = []
        self._stream = stream
        self.start()

    def run(self) -> None:
        for line in self._stream:
            if line.endswith(b"\n"):
                self.lines.append((time.monotonic(), json.loads(line)))


def crash(place: Path, seed: int) -> Crash:
    """Hear, kill, look, resume, look again."""
    rng = random.Random(seed)
    place.mkdir()
    clip = place / "clip.wav"
    start = rng.randrange(0, 280) * 16000
    sound, rate = soundfile.read(DRILL, start=start, frames=60 * 16000, dtype="int16")
    soundfile.write(clip, sound, rate)
    cases = place / "cases"
    listen = [*COMMAND, "listen", str(clip), "--json", "--pace", "real", "--cases", str(cases)]
    process = subprocess.Popen(listen, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdout
    shown = Shown(process.stdout)
    if rng.random() < EARLY:
        time.sleep(rng.uniform(0.1, 4.0))
    else:
        end = time.monotonic() + 30
        while not shown.lines and process.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 5.0))
    process.kill()
    killed = time.monotonic()
    process.wait()
    shown.join()
    lines = [(at, line) for at, line in shown.lines if line["kind"] != "summary"]
    return _found(cases, lines, killed)


def _found(cases: Path, lines: list[tuple[float, dict[str, object]]], killed: float) -> Crash:
    folders = list(cases.glob("*")) if cases.is_dir() else []
    if not folders:
        return Crash(0, 0.0, False, ("shown, but no case",) if lines else ())
    wrong = []
    try:
        before = open_case(folders[0])
    except UserError as error:
        return Crash(len(lines), 0.0, False, (str(error),) if lines else ())
    stored = [told for told in map(_as_shown, before.facts) if told]
    if [fact.seq for fact in before.facts] != list(range(1, len(before.facts) + 1)):
        wrong.append("the facts are not numbered in a row")
    if stored[: len(lines)] != [_line(line) for _, line in lines]:
        wrong.append("what was shown is not there in its order")
    length = max((sound.kept.frames / SAMPLE_RATE for sound in before.sounds), default=0.0)
    came = max((float(str(x.get("until", 0))) + killed - at for at, x in lines), default=0.0)
    if came - length > 2.0:
        wrong.append(f"{came - length:.1f} s of sound are lost")
    began = any(isinstance(fact, CaseStarted) for fact in before.facts)
    resumed = subprocess.run(
        [*COMMAND, "resume", str(folders[0]), "-", "--json"],
        input=bytes(3200),
        capture_output=True,
        check=False,
    )
    if not began:
        if resumed.returncode != 2 or b"never began" not in resumed.stderr:
            wrong.append("a case that never began was resumed")
        return Crash(len(lines), 0.0, False, tuple(wrong))
    after = open_case(folders[0]).facts
    if after[: len(before.facts)] != before.facts:
        wrong.append("resuming changed what was stored")
    new = after[len(before.facts) :]
    gaps = [fact for fact in new if isinstance(fact, Gap)]
    went_on = [fact for fact in new if isinstance(fact, Resumed)]
    if resumed.returncode or len(went_on) != 1:
        wrong.append(f"not resumed: {resumed.stderr.decode()[-200:]}")
    elif len(gaps) != 1 or gaps[0].until != went_on[0].t or gaps[0].t < length - 0.001:
        wrong.append("the gap is not recorded")
    if misfit := verify(folders[0]).misfit:
        wrong.append(misfit)
    return Crash(len(lines), max(came - length, 0.0), True, tuple(wrong))


def _as_shown(fact: Fact) -> tuple[str, int, str] | None:
    """What the line says that a fact becomes; None for a fact that becomes none."""
    match fact:
        case Heard():
            return "heard", fact.seq, fact.text
        case HeardOut():
            return "heard out", fact.target, fact.text
        case Doubted():
            return "doubted", fact.target, fact.words
    return None


def _line(line: dict[str, object]) -> tuple[object, object, object]:
    if line["kind"] == "doubted":
        return "doubted", line["seq"], line["words"]
    return "heard out" if line.get("heard_out") else "heard", line["seq"], line["text"]


def crashes(kills: int, at_once: int, first_seed: int = 0) -> list[Crash]:
    """So many, several at a time."""
    with TemporaryDirectory() as place, ThreadPoolExecutor(at_once) as pool:
        seeds = range(first_seed, first_seed + kills)
        return list(pool.map(lambda seed: crash(Path(place) / str(seed), seed), seeds))


def main() -> int:
    given = [int(argument) for argument in sys.argv[1:]]
    kills, at_once = (given + [200, 4][len(given) :])[:2]
    found = crashes(kills, at_once)
    wrong = [(seed, problem) for seed, one in enumerate(found) for problem in one.wrong]
    resumed = sum(one.resumed for one in found)
    print(f"{kills} kills, {resumed} of them after the case had begun")
    print(f"{sum(one.shown for one in found)} lines of utterances and doubts had been shown")
    print(f"at most {max(one.lost_s for one in found):.2f} s of sound were lost before a kill")
    for seed, problem in wrong:
        print(f"kill {seed}: {problem}")
    print(f"{len(wrong)} things not as promised")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
