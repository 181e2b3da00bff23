"""Prints how fast and how small a whole run is: `python -m tests.tools.benchmark`.

A sample drill is heard in fast mode by a process of its own, everything on.
"""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory, TemporaryFile

import psutil
import soundfile

DRILL = Path(str(files("sample_audio_synthetic") / "well-run-drill.flac"))
RUN = "import sys; from tui.cli import main; sys.exit(main())"


def run(*argv: str, stdin: bytes = b"") -> tuple[float, float]:
    """Seconds that a run takes, and the most memory of all its processes together, MB."""
    began, most = time.monotonic(), 0
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
    return time.monotonic() - began, most / 2**20


def main() -> None:
    length = soundfile.info(DRILL).duration
    with TemporaryDirectory() as cases:
        # A tenth of a second of sound: what is left is starting up.
        start, _ = run("listen", "-", "--json", "--cases", cases, stdin=bytes(3200))
        whole, memory = run("listen", str(DRILL), "--json", "--cases", cases)
    print(f"{length:.0f} s of sound heard in {whole:.1f} s: {whole / length:.3f} of its length")
    print(f"start to end of an empty case: {start:.2f} s")
    print(f"most memory resident, all processes together: {memory:.0f} MB")


if __name__ == "__main__":
    main()
